-- The lag of the clutch's release by day: the median of the day's lags and of the
-- fluid's temperature at them (null where the unit does not measure it), of days with
-- at least three. A day is the unit, not a stop, as stops of one day are alike.
SELECT v.vehicle, v.vehicle_group, (getvariable('last_day') - day)::BIGINT AS days_ago,
       median(lag_s) AS lag_s, median(fluid_c) AS fluid_c, count(*) AS stops
FROM events JOIN vehicles AS v USING (vehicle)
WHERE kind = 'release-lag' AND lag_s > 0
GROUP BY ALL HAVING count(*) >= 3
ORDER BY v.vehicle, days_ago;
