-- Arrival is the shop's own time, told the unit's; a unit whose clock is wrong is silent
-- or not by its arrival.
-- Who has gone silent, and who is filling up. When anything last came (0: never),
-- and the latest report of the unit on itself. Growth is the slope of its reports of
-- the last two weeks, in bytes a day, where they span at least a day.
WITH heard AS (
    SELECT vehicle, max(received) AS last
    FROM (SELECT vehicle, received FROM reports UNION ALL SELECT vehicle, received FROM drives)
    GROUP BY vehicle
), latest AS (
    SELECT * FROM reports QUALIFY row_number() OVER (PARTITION BY vehicle ORDER BY received DESC, told DESC) = 1
), growth AS (
    SELECT vehicle, round(regr_slope(store_bytes, epoch(received) / 86400)) AS bytes_a_day
    FROM reports WHERE day > getvariable('last_day') - 14
    GROUP BY vehicle HAVING max(received) - min(received) >= INTERVAL 1 DAY
)
SELECT v.vehicle, v.vehicle_group,
       coalesce(epoch_us(h.last), epoch_us(v.last_file_day::TIMESTAMP), 0)::BIGINT AS last_us,
       CASE WHEN l.own_time THEN coalesce(epoch_us(l.told), 0) ELSE 0 END::BIGINT AS told_us,
       coalesce(epoch_us(l.received), 0)::BIGINT AS arrived_us,
       l.vehicle IS NOT NULL AS reported,
       coalesce(l.program, '') AS program,
       coalesce(l.store_bytes, 0)::BIGINT AS store_bytes,
       coalesce(l.quota_bytes, 0)::BIGINT AS quota_bytes,
       coalesce(l.free_bytes, 0)::BIGINT AS free_bytes,
       coalesce(l.left_files, 0)::BIGINT AS left_files,
       coalesce(l.left_bytes, 0)::BIGINT AS left_bytes,
       coalesce(l.runs, 0)::BIGINT AS runs,
       coalesce(l.cut, 0)::BIGINT AS cut,
       coalesce(array_to_string(l.troubles, chr(10)), '') AS troubles,
       coalesce(g.bytes_a_day, 0)::DOUBLE AS bytes_a_day
FROM vehicles AS v
LEFT JOIN heard AS h USING (vehicle)
LEFT JOIN latest AS l USING (vehicle)
LEFT JOIN growth AS g USING (vehicle)
ORDER BY v.vehicle;
