-- Takes the accounts of the days asked about out of the dataset. It may run again
-- with other files in accounts_files, and adds those: so a large dataset is taken in
-- parts, as the engine keeps something of each file until a statement has ended.
CREATE TEMP TABLE IF NOT EXISTS all_accounts (
    vehicle VARCHAR, day DATE, id VARCHAR, received TIMESTAMPTZ, clocked BOOLEAN, stay VARCHAR, run BIGINT,
    drive BIGINT, end_us BIGINT, engine_on_s DOUBLE, moving_s DOUBLE, unknown_s DOUBLE, stops BIGINT, stops_observed BIGINT,
    opportunities STRUCT(kind VARCHAR, seen BIGINT, observable BIGINT, hits BIGINT)[]);
INSERT INTO all_accounts
SELECT coalesce(vehicle, regexp_extract(filename, 'vehicle=([^/\\]+)', 1)), coalesce(day, regexp_extract(filename, 'day=([0-9-]{10})', 1)::DATE) AS filed,
       id, received, clocked, stay, run, drive, end_us, engine_on_s, moving_s, unknown_s, stops, stops_observed,
       coalesce(opportunities, chances)
FROM (SELECT * FROM read_parquet(getvariable('accounts_files'), union_by_name = true, hive_partitioning = false, filename = true)
      -- Files of a day may say vehicle and day in their path alone. Those of schema 1
      -- have chances, later ones opportunities.
      UNION ALL BY NAME
      SELECT vehicle, day, opportunities, opportunities AS chances FROM all_accounts WHERE false)
WHERE filed BETWEEN getvariable('first_day') AND getvariable('last_day');
