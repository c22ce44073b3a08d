-- Has the lag of the clutch's release shifted this week? The unit is a day, not a
-- stop, as stops of one day are alike: each day's median lag, of days with at least
-- three. What the rank sum test needs (Mann and Whitney, 1947): numbers of days, the
-- sum of this week's ranks among all (ties share theirs), and the ties: the sum of t³-t
-- over equal values, and how many pairs of a day of this week and one before are equal.
WITH days AS (
    SELECT vehicle, day, this_week, median(lag_s) AS lag_s, count(*) AS stops
    FROM lags GROUP BY ALL HAVING count(*) >= 3
), ranked AS (
    SELECT *, rank() OVER (PARTITION BY vehicle ORDER BY lag_s)
              + (count(*) OVER (PARTITION BY vehicle, lag_s) - 1) / 2 AS place,
           count(*) OVER (PARTITION BY vehicle, lag_s) AS same,
           count(*) FILTER (WHERE NOT this_week) OVER (PARTITION BY vehicle, lag_s) AS same_before
    FROM days
)
SELECT v.vehicle, v.vehicle_group,
       count(*) FILTER (WHERE this_week) AS days_week,
       count(*) FILTER (WHERE NOT this_week) AS days_before,
       coalesce(sum(place) FILTER (WHERE this_week), 0)::DOUBLE AS rank_sum_week,
       sum(same * same - 1)::DOUBLE AS ties,
       coalesce(sum(same_before) FILTER (WHERE this_week), 0)::DOUBLE AS tied_pairs,
       coalesce(median(lag_s) FILTER (WHERE this_week), 0) AS median_week_s,
       coalesce(median(lag_s) FILTER (WHERE NOT this_week), 0) AS median_before_s,
       sum(stops)::BIGINT AS stops
FROM ranked JOIN vehicles AS v USING (vehicle)
GROUP BY ALL
ORDER BY v.vehicle;
