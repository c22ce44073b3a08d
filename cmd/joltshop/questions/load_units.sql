-- Takes the units' reports on themselves of the days asked about out of the dataset;
-- see load_accounts.sql.
CREATE TEMP TABLE IF NOT EXISTS all_reports (
    vehicle VARCHAR, day DATE, id VARCHAR, received TIMESTAMPTZ, told TIMESTAMPTZ, own_time BOOLEAN, program VARCHAR,
    store_bytes BIGINT, quota_bytes BIGINT, free_bytes BIGINT, runs BIGINT, cut BIGINT, troubles VARCHAR[],
    left_files BIGINT, left_bytes BIGINT);
INSERT INTO all_reports
SELECT vehicle, day, id, received, coalesce(time, received), time IS NOT NULL, program,
       greatest(store_bytes, 0), greatest(quota_bytes, 0), greatest(free_bytes, 0), runs, cut, troubles, left_files, left_bytes
FROM read_parquet(getvariable('units_files'), hive_partitioning = true, hive_types = {'vehicle': VARCHAR, 'day': DATE})
WHERE day BETWEEN getvariable('first_day') AND getvariable('last_day');
