-- Those of these units that are packed at a moment, and not scrapped: in which carton, since when.
WITH asked(id) AS (SELECT {each units})
SELECT u.id, pack.carton_id, pack.since
FROM asked
CROSS JOIN trace_unit u
JOIN trace_packing pack
     ON pack.unit_id = u.id AND pack.since <= %(at)s AND (pack.until IS NULL OR pack.until > %(at)s)
WHERE u.id = asked.id AND (u.scrapped IS NULL OR u.scrapped > %(at)s)
