-- What was loaded, as the questions see it: each thing once, and of what was sent
-- again the latest. What no drive can be is left out (more than ten days, a million
-- stops), so that one sender cannot spoil a sum.
CREATE OR REPLACE TEMP TABLE drives AS
SELECT vehicle, day, day >= getvariable('week_first') AS this_week, clocked, received,
       engine_on_s, moving_s, unknown_s, stops, stops_observed, opportunities
FROM all_accounts
WHERE engine_on_s BETWEEN 0 AND 864000 AND moving_s BETWEEN 0 AND 864000 AND unknown_s BETWEEN 0 AND 864000
  AND stops BETWEEN 0 AND 1000000 AND stops_observed BETWEEN 0 AND stops
QUALIFY row_number() OVER (PARTITION BY vehicle, stay, run, drive
                           ORDER BY end_us DESC, clocked DESC, received DESC, id) = 1;

CREATE OR REPLACE TEMP TABLE events AS
SELECT vehicle, day, day >= getvariable('week_first') AS this_week, stay, run, event, kind, class, start_us, end_us, lag_s, fluid_c
FROM all_events
QUALIFY row_number() OVER (PARTITION BY vehicle, stay, event ORDER BY clocked DESC, received DESC, id) = 1;

CREATE OR REPLACE TEMP TABLE reports AS
SELECT * FROM all_reports
QUALIFY row_number() OVER (PARTITION BY vehicle, id ORDER BY received) = 1;

CREATE OR REPLACE TEMP TABLE vehicles AS
SELECT f.vehicle, coalesce(min(g.vehicle_group), 'all') AS vehicle_group, max(f.last_day) AS last_file_day
FROM filed AS f LEFT JOIN grouping AS g USING (vehicle)
GROUP BY f.vehicle;

-- Opportunities by vehicle, day and kind of finding.
CREATE OR REPLACE TEMP TABLE opportunities_by_day AS
SELECT vehicle, day, this_week, c.kind AS kind, sum(c.seen)::BIGINT AS seen, sum(c.observable)::BIGINT AS observable,
       sum(least(c.hits, c.observable))::BIGINT AS hits
FROM (SELECT vehicle, day, this_week, unnest(opportunities) AS c FROM drives)
WHERE c.seen BETWEEN 0 AND 1000000 AND c.observable BETWEEN 0 AND c.seen AND c.hits >= 0
GROUP BY ALL;
