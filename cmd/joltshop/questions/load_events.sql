-- Takes the events of the days asked about out of the dataset: the releases with
-- their lags, and what is out of the ordinary; see load_accounts.sql.
CREATE TEMP TABLE IF NOT EXISTS all_events (
    vehicle VARCHAR, day DATE, id VARCHAR, received TIMESTAMPTZ, clocked BOOLEAN, stay VARCHAR, run BIGINT, event VARCHAR,
    kind VARCHAR, class VARCHAR, start_us BIGINT, end_us BIGINT, lag_s DOUBLE, fluid_c DOUBLE);
INSERT INTO all_events
SELECT coalesce(vehicle, regexp_extract(filename, 'vehicle=([^/\\]+)', 1)), coalesce(day, regexp_extract(filename, 'day=([0-9-]{10})', 1)::DATE) AS filed,
       id, received, clocked, stay, run, event, kind, class, start_us, end_us,
       CASE WHEN lag_s BETWEEN 0 AND 600 THEN lag_s END,
       CASE WHEN fluid_temperature_c BETWEEN -60 AND 250 THEN fluid_temperature_c END
FROM (SELECT * FROM read_parquet(getvariable('events_files'), union_by_name = true, hive_partitioning = false, filename = true)
      -- Files of a day may say vehicle and day in their path alone.
      UNION ALL BY NAME
      SELECT vehicle, day FROM all_events WHERE false)
WHERE filed BETWEEN getvariable('first_day') AND getvariable('last_day')
  AND (kind IN ('release-lag', 'mark') OR class IN ('unasked', 'stall'));
