-- The steps that the given units and all that is fitted in them have passed, each once, at the station
-- where it was passed last.
WITH RECURSIVE given(unit, grp) AS ({given}),
inside(unit, grp) AS (
    SELECT unit, grp FROM given
    UNION ALL
    SELECT f.child_id, i.grp
    FROM inside i
    JOIN trace_fitting f ON f.unit_id = i.unit AND f.child_id IS NOT NULL AND f.superseded IS NULL
         AND f.since <= %(at)s AND (f.until IS NULL OR f.until > %(at)s)
         AND (f.doubted IS NULL OR f.doubted >= %(at)s)
)
SELECT i.grp, u.key, p.step_id, p.station_id
FROM inside i
JOIN trace_unit u ON u.id = i.unit
JOIN trace_pass p ON p.unit_id = u.id AND p.superseded IS NULL AND p.outcome = 'passed'
     AND COALESCE(p.scanned_out, p.began) <= %(at)s
WHERE NOT EXISTS (
    SELECT 1 FROM trace_pass q
    WHERE q.unit_id = p.unit_id AND q.step_id = p.step_id AND q.superseded IS NULL AND q.outcome = 'passed'
      AND COALESCE(q.scanned_out, q.began) <= %(at)s
      AND (q.began > p.began OR q.began = p.began AND q.id > p.id)
)
