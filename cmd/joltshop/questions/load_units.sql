-- Takes the units' reports on themselves of the days asked about out of the dataset;
-- see load_accounts.sql.
CREATE TEMP TABLE IF NOT EXISTS all_reports (
    vehicle VARCHAR, day DATE, id VARCHAR, received TIMESTAMPTZ, told TIMESTAMPTZ, own_time BOOLEAN, program VARCHAR,
    store_bytes BIGINT, quota_bytes BIGINT, free_bytes BIGINT, runs BIGINT, cut BIGINT, troubles VARCHAR[],
    left_files BIGINT, left_bytes BIGINT);
INSERT INTO all_reports
SELECT coalesce(vehicle, regexp_extract(filename, 'vehicle=([^/\\]+)', 1)), coalesce(day, regexp_extract(filename, 'day=([0-9-]{10})', 1)::DATE) AS filed,
       id, received, coalesce(time, received), time IS NOT NULL, program,
       greatest(store_bytes, 0), greatest(quota_bytes, 0), greatest(free_bytes, 0), runs, cut, troubles, left_files, left_bytes
FROM (SELECT * FROM read_parquet(getvariable('units_files'), union_by_name = true, hive_partitioning = false, filename = true)
      -- Files of a day may say vehicle and day in their path alone.
      UNION ALL BY NAME
      SELECT vehicle, day FROM all_reports WHERE false)
WHERE filed BETWEEN getvariable('first_day') AND getvariable('last_day');
