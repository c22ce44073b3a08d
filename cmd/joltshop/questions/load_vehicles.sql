-- Every vehicle that ever sent anything, and the first and last day that is filed of
-- it, by the names of the files of a day alone; load_months.sql adds those of months.
CREATE TEMP TABLE IF NOT EXISTS filed (vehicle VARCHAR, first_day DATE, last_day DATE);
INSERT INTO filed
SELECT regexp_extract(file, 'vehicle=([^/\\]+)', 1) AS vehicle,
       min(regexp_extract(file, 'day=([0-9-]{10})', 1)::DATE), max(regexp_extract(file, 'day=([0-9-]{10})', 1)::DATE)
FROM (SELECT file FROM glob(getvariable('events_files'))
      UNION ALL SELECT file FROM glob(getvariable('accounts_files'))
      UNION ALL SELECT file FROM glob(getvariable('units_files')))
WHERE file LIKE '%vehicle=%'
GROUP BY vehicle;
