-- Keys of these units and of their parts.
WITH asked(id) AS (SELECT {each_unit})
SELECT u.id, u.key, p.key
FROM asked CROSS JOIN trace_unit u JOIN trace_part p ON p.id = u.part_id
WHERE u.id = asked.id
