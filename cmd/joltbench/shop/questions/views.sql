-- The dataset as the questions see it. Set these first, then run this file and
-- any question after it, all in one session:
--
--   SET VARIABLE dataset = 'my-shop/dataset';
--   SET VARIABLE last_day = DATE '2026-03-10';  -- of the week that is asked about
--   SET VARIABLE history_days = 56;             -- before that week
--   CREATE TEMP TABLE grouping (vehicle VARCHAR, vehicle_group VARCHAR);  -- may stay empty
--
-- A table without any file yet has to be named by hand: see `events_files`.
SET VARIABLE first_day = getvariable('last_day') - 6 - getvariable('history_days')::INTEGER;
SET VARIABLE week_first = getvariable('last_day') - 6;
SET VARIABLE events_files = coalesce(getvariable('events_files'), getvariable('dataset') || '/events/*/*/*.parquet');
SET VARIABLE accounts_files = coalesce(getvariable('accounts_files'), getvariable('dataset') || '/accounts/*/*/*.parquet');
SET VARIABLE units_files = coalesce(getvariable('units_files'), getvariable('dataset') || '/units/*/*/*.parquet');

-- One row a drive: the latest account of it, once. What no drive can be is left out
-- (more than ten days, a million stops), so that one sender cannot spoil a sum.
CREATE OR REPLACE TEMP TABLE drives AS
SELECT vehicle, day, day >= getvariable('week_first') AS this_week, clocked, received,
       engine_on_s, moving_s, unknown_s, stops, stops_observed, chances
FROM read_parquet(getvariable('accounts_files'), hive_partitioning = true,
                  hive_types = {'vehicle': VARCHAR, 'day': DATE})
WHERE day BETWEEN getvariable('first_day') AND getvariable('last_day')
  AND engine_on_s BETWEEN 0 AND 864000 AND moving_s BETWEEN 0 AND 864000 AND unknown_s BETWEEN 0 AND 864000
  AND stops BETWEEN 0 AND 1000000 AND stops_observed BETWEEN 0 AND stops
QUALIFY row_number() OVER (PARTITION BY vehicle, stay, run, drive
                           ORDER BY end_us DESC, clocked DESC, received DESC, id) = 1;

-- One row a finding that was measured: the latest record of it, once.
CREATE OR REPLACE TEMP TABLE lags AS
SELECT vehicle, day, day >= getvariable('week_first') AS this_week, class, lag_s
FROM read_parquet(getvariable('events_files'), hive_partitioning = true,
                  hive_types = {'vehicle': VARCHAR, 'day': DATE})
WHERE day BETWEEN getvariable('first_day') AND getvariable('last_day')
  AND kind = 'release-lag' AND lag_s BETWEEN 0 AND 600
QUALIFY row_number() OVER (PARTITION BY vehicle, stay, event
                           ORDER BY clocked DESC, received DESC, id) = 1;

-- One row a report of a unit on itself.
CREATE OR REPLACE TEMP TABLE reports AS
SELECT vehicle, day, coalesce(time, received) AS told, received, program, greatest(store_bytes, 0) AS store_bytes,
       greatest(quota_bytes, 0) AS quota_bytes, greatest(free_bytes, 0) AS free_bytes, runs, cut, troubles, left_files, left_bytes
FROM read_parquet(getvariable('units_files'), hive_partitioning = true,
                  hive_types = {'vehicle': VARCHAR, 'day': DATE})
WHERE day BETWEEN getvariable('first_day') AND getvariable('last_day')
QUALIFY row_number() OVER (PARTITION BY vehicle, id ORDER BY received) = 1;

-- Every vehicle that ever sent anything, by the names of the files alone.
CREATE OR REPLACE TEMP TABLE vehicles AS
SELECT f.vehicle, coalesce(min(g.vehicle_group), 'all') AS vehicle_group, max(f.day) AS last_file_day
FROM (SELECT regexp_extract(file, 'vehicle=([^/\\]+)', 1) AS vehicle,
             try_cast(regexp_extract(file, 'day=([0-9-]{10})', 1) AS DATE) AS day
      FROM (SELECT file FROM glob(getvariable('events_files'))
            UNION ALL SELECT file FROM glob(getvariable('accounts_files'))
            UNION ALL SELECT file FROM glob(getvariable('units_files')))) AS f
LEFT JOIN grouping AS g USING (vehicle)
WHERE f.day <= getvariable('last_day') AND f.vehicle <> '-'
GROUP BY f.vehicle;

-- Chances by vehicle, day and kind of finding.
CREATE OR REPLACE TEMP TABLE chances_by_day AS
SELECT vehicle, day, this_week, c.kind AS kind, sum(c.seen)::BIGINT AS seen, sum(c.observable)::BIGINT AS observable,
       sum(least(c.hits, c.observable))::BIGINT AS hits
FROM (SELECT vehicle, day, this_week, unnest(chances) AS c FROM drives)
WHERE c.seen BETWEEN 0 AND 1000000 AND c.observable BETWEEN 0 AND c.seen AND c.hits >= 0
GROUP BY ALL;
