-- These units, each once with each unit that it is or was fitted in, or may have been, up to a moment.
WITH asked(id) AS (SELECT {each units})
SELECT u.id, u.key, u.part_id, {home_columns}
FROM asked
CROSS JOIN trace_unit u
{home}
WHERE u.id = asked.id
