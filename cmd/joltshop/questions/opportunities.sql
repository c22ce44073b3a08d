-- How many opportunities each vehicle had, how many could be seen, how many were hits,
-- by kind of finding and week: 0 is the week that is asked about, 1 the one before it.
-- Answers "how many stops were watched" (release-lag), and is what the rates of the
-- other two questions are made of: this week against its own history, and against its
-- kind.
SELECT v.vehicle, v.vehicle_group, c.kind, (getvariable('last_day') - day)::BIGINT // 7 AS week,
       sum(seen)::BIGINT AS seen, sum(observable)::BIGINT AS observable, sum(hits)::BIGINT AS hits
FROM opportunities_by_day AS c JOIN vehicles AS v USING (vehicle)
GROUP BY ALL
ORDER BY v.vehicle, c.kind, week;
