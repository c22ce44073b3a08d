-- How many chances each vehicle had, how many could be seen, how many were hits:
-- this week and in the history before it, by kind of finding. Answers "how many
-- stops were watched" (release-lag), and is what the rates of the other two
-- questions are made of: this week against its own history, and against its kind.
SELECT v.vehicle, v.vehicle_group, c.kind,
       sum(seen)       FILTER (WHERE this_week)::BIGINT AS seen_week,
       sum(observable) FILTER (WHERE this_week)::BIGINT AS observable_week,
       sum(hits)       FILTER (WHERE this_week)::BIGINT AS hits_week,
       sum(seen)       FILTER (WHERE NOT this_week)::BIGINT AS seen_before,
       sum(observable) FILTER (WHERE NOT this_week)::BIGINT AS observable_before,
       sum(hits)       FILTER (WHERE NOT this_week)::BIGINT AS hits_before
FROM chances_by_day AS c JOIN vehicles AS v USING (vehicle)
GROUP BY ALL
ORDER BY v.vehicle, c.kind;
