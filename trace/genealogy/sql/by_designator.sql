-- Those of these units whose places must be judged one by one.
WITH asked(id) AS (SELECT {each_unit})
SELECT u.id FROM asked CROSS JOIN trace_unit u WHERE u.id = asked.id AND u.by_designator
