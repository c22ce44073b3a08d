-- The design effect of each kind of finding: by how much hits bunch within days,
-- beyond what independent chances would. It is the variance of the daily counts
-- about each vehicle's own rate in its history, over the binomial one, pooled over
-- the vehicles (Rao and Scott, Biometrics 48, 1992). At least 1. The hundredth of the
-- vehicles in which hits bunch most is left out, so that one cannot hide the others.
WITH own AS (
    SELECT vehicle, kind, count(*) AS days, sum(observable) AS n, sum(hits) / sum(observable) AS rate
    FROM chances_by_day
    WHERE NOT this_week AND observable > 0
    GROUP BY vehicle, kind
    HAVING count(*) >= 2 AND sum(hits) > 0 AND sum(hits) < sum(observable)
), spread AS (
    SELECT o.vehicle, o.kind, any_value(o.days / (o.days - 1)) * sum((c.hits - o.rate * c.observable) ** 2) AS seen,
           any_value(o.n * o.rate * (1 - o.rate)) AS binomial
    FROM own AS o JOIN chances_by_day AS c USING (vehicle, kind)
    WHERE NOT c.this_week AND c.observable > 0
    GROUP BY o.vehicle, o.kind
)
SELECT kind, round(greatest(1, sum(seen) / sum(binomial)), 6) AS effect, count(*) AS vehicles
FROM (SELECT * FROM spread
      QUALIFY row_number() OVER (PARTITION BY kind ORDER BY seen / binomial DESC, vehicle) > ceil(count(*) OVER (PARTITION BY kind) / 100)
              OR count(*) OVER (PARTITION BY kind) < 20)
GROUP BY kind ORDER BY kind;
