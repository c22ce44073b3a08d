-- What each vehicle's week rests on: drives, time, stops. Sums are rounded, as an
-- engine may add in any order.
SELECT v.vehicle, v.vehicle_group, count(d.vehicle)::BIGINT AS drives,
       round(coalesce(sum(d.engine_on_s), 0), 3)::DOUBLE AS engine_on_s,
       round(coalesce(sum(d.moving_s), 0), 3)::DOUBLE AS moving_s,
       round(coalesce(sum(d.unknown_s), 0), 3)::DOUBLE AS unknown_s,
       coalesce(sum(d.stops), 0)::BIGINT AS stops,
       coalesce(sum(d.stops_observed), 0)::BIGINT AS stops_observed,
       count(*) FILTER (WHERE NOT d.clocked)::BIGINT AS unclocked
FROM vehicles AS v LEFT JOIN (SELECT * FROM drives WHERE this_week) AS d USING (vehicle)
GROUP BY ALL
ORDER BY v.vehicle;
