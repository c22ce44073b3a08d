-- What one of is enough to be named this week: a release that drags or stalls the
-- engine, slip under load that nothing asked for, a late release that the driver marked
-- within a minute, and the driver's marks themselves. mark_after_s is how long after
-- the finding's end the first mark came, null where none did.
WITH this AS (
    SELECT * FROM events WHERE this_week
), marks AS (
    SELECT vehicle, stay, run, start_us FROM this WHERE kind = 'mark'
), marked AS (
    SELECT e.vehicle, e.stay, e.event, min(greatest(m.start_us - e.end_us, 0)) / 1e6 AS mark_after_s
    FROM this AS e JOIN marks AS m
      ON m.vehicle = e.vehicle AND m.stay = e.stay AND m.run = e.run AND m.start_us BETWEEN e.start_us AND e.end_us + 60000000
    WHERE e.kind <> 'mark'
    GROUP BY ALL
)
SELECT v.vehicle, v.vehicle_group, e.kind, e.class, e.stay, e.event, (getvariable('last_day') - e.day)::BIGINT AS days_ago, e.lag_s, m.mark_after_s
FROM this AS e JOIN vehicles AS v USING (vehicle) LEFT JOIN marked AS m ON m.vehicle = e.vehicle AND m.stay = e.stay AND m.event = e.event
WHERE e.kind = 'mark' OR e.class IN ('dragging', 'stall', 'unasked') OR e.class = 'late' AND m.mark_after_s IS NOT NULL
ORDER BY v.vehicle, m.mark_after_s IS NULL, e.lag_s DESC NULLS LAST, e.event
LIMIT 100000;
