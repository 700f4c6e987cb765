-- The steps with something measured or judged that the given units have passed, each once, at the station where it was
-- passed last.
WITH given(unit, grp) AS ({given})
SELECT g.grp, u.key, p.step_id, p.station_id
FROM given g
JOIN trace_unit u ON u.id = g.unit
JOIN trace_pass p ON p.unit_id = u.id AND p.superseded IS NULL AND p.outcome = 'passed'
     AND COALESCE(p.scanned_out, p.began) <= %(at)s
JOIN trace_step s ON s.id = p.step_id
WHERE EXISTS (
    SELECT 1 FROM trace_characteristic c WHERE c.part_id = s.part_id AND c.step_number = s.number
) AND NOT EXISTS (
    SELECT 1 FROM trace_pass q
    WHERE q.unit_id = p.unit_id AND q.step_id = p.step_id AND q.superseded IS NULL AND q.outcome = 'passed'
      AND COALESCE(q.scanned_out, q.began) <= %(at)s
      AND (q.began > p.began OR q.began = p.began AND q.id > p.id)
)
