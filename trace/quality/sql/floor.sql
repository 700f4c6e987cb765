-- Of the newest units of these parts those on the floor: neither scrapped, nor fitted, nor packed. Each with its passes
-- and the steps that it skipped. What they are fitted or packed in is asked one by one, so that no table is read whole.
WITH newest AS (
    SELECT id, key, part_id, order_id, scrapped FROM trace_unit
    WHERE part_id = ANY(%(parts)s)
    ORDER BY id DESC LIMIT %(most)s
)
SELECT u.id, u.key, u.part_id, u.order_id,
       (SELECT jsonb_agg(jsonb_build_array(p.step_id, p.station_id,
                                           CASE WHEN p.due_again IS NULL THEN p.outcome ELSE 'again' END,
                                           COALESCE(p.scanned_out, p.scanned_in, p.began)))
        FROM trace_pass p
        WHERE p.unit_id = u.id AND p.superseded IS NULL AND p.outcome <> 'void') AS passes,
       (SELECT jsonb_agg(jsonb_build_array(k.step_id)) FROM trace_skip k
        WHERE k.unit_id = u.id AND k.superseded IS NULL) AS skips
FROM newest u
WHERE u.scrapped IS NULL
  AND (SELECT MIN(f.id) FROM trace_fitting f
       WHERE f.child_id = u.id AND f.until IS NULL AND f.superseded IS NULL) IS NULL
  AND (SELECT MIN(g.id) FROM trace_packing g WHERE g.unit_id = u.id AND g.until IS NULL) IS NULL
