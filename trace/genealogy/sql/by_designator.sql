-- Those of these units whose places must be judged one by one.
SELECT u.id FROM trace_unit u WHERE u.by_designator AND u.id IN (SELECT {each_unit})
