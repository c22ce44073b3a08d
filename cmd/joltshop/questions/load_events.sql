-- Takes the lags of release of the days asked about out of the dataset; see
-- load_accounts.sql.
CREATE TEMP TABLE IF NOT EXISTS all_lags (
    vehicle VARCHAR, day DATE, id VARCHAR, received TIMESTAMPTZ, clocked BOOLEAN, stay VARCHAR, event VARCHAR, lag_s DOUBLE, fluid_c DOUBLE);
INSERT INTO all_lags
SELECT vehicle, day, id, received, clocked, stay, event, lag_s,
       CASE WHEN fluid_temperature_c BETWEEN -60 AND 250 THEN fluid_temperature_c END
FROM read_parquet(getvariable('events_files'), hive_partitioning = true, hive_types = {'vehicle': VARCHAR, 'day': DATE})
WHERE day BETWEEN getvariable('first_day') AND getvariable('last_day')
  AND kind = 'release-lag' AND lag_s BETWEEN 0 AND 600;
