-- What is asked about. Run this first with your own values, then load_accounts.sql,
-- load_events.sql, load_units.sql, load_vehicles.sql, load_months.sql and views.sql,
-- then any of the questions, all in one session of the engine. A table that has no file
-- yet cannot be loaded: of its file run the first statement alone, and leave
-- load_months.sql out where no table has a folder of months.
SET VARIABLE dataset = 'my-shop/dataset';
SET VARIABLE last_day = DATE '2026-03-10';  -- of the week that is asked about
SET VARIABLE history_days = 56;             -- before that week
SET VARIABLE first_day = getvariable('last_day') - 6 - getvariable('history_days')::INTEGER;
SET VARIABLE week_first = getvariable('last_day') - 6;
SET VARIABLE events_files = getvariable('dataset') || '/events/*/*/*.parquet';
SET VARIABLE accounts_files = getvariable('dataset') || '/accounts/*/*/*.parquet';
SET VARIABLE units_files = getvariable('dataset') || '/units/*/*/*.parquet';
SET VARIABLE months_files = getvariable('dataset') || '/*/months/*/*.parquet';
-- Which vehicles are of a kind; may stay empty, then all are.
CREATE TEMP TABLE grouping (vehicle VARCHAR, vehicle_group VARCHAR);
