-- The vehicles of the months that were brought together, and the first and last day
-- that is filed of them. A dataset without such a month is asked without this.
INSERT INTO filed
SELECT vehicle, min(day), max(day)
FROM read_parquet(getvariable('months_files'), union_by_name = true, hive_partitioning = false)
WHERE day <= getvariable('last_day')
GROUP BY vehicle;
