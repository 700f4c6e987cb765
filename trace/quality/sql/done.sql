-- Units that passed the last step of a line in a window, the first time that they did: their part and order, when they
-- were first scanned on the line, when they passed. Of last steps in any order it is the one that was left.
WITH visit AS ({visits})
SELECT u.part_id, u.order_id,
       (SELECT MIN(COALESCE(q.scanned_in, q.scanned_out, q.began)) FROM trace_pass q
        WHERE q.unit_id = v.unit_id AND q.step_id = ANY(%(steps)s) AND q.superseded IS NULL
          AND q.outcome <> 'void') AS started,
       v.gone, COUNT(*)
FROM visit v
JOIN trace_unit u ON u.id = v.unit_id
JOIN trace_step t ON t.id = v.step_id
WHERE v.step_id = ANY(%(last)s) AND v.outcome = 'passed'
  AND NOT EXISTS (SELECT 1 FROM trace_pass q
                  WHERE q.unit_id = v.unit_id AND q.step_id = v.step_id AND q.superseded IS NULL
                    AND q.outcome = 'passed'
                    AND (COALESCE(q.scanned_out, q.ended) < v.gone
                         OR COALESCE(q.scanned_out, q.ended) = v.gone AND q.id < v.id))
  AND NOT EXISTS (SELECT 1 FROM trace_step o
                  WHERE o.part_id = t.part_id AND o.id <> t.id AND o.free_order <> '' AND o.id = ANY(%(last)s)
                    AND NOT EXISTS (SELECT 1 FROM trace_skip k
                                    WHERE k.unit_id = v.unit_id AND k.step_id = o.id AND k.superseded IS NULL
                                      AND k.at <= v.gone)
                    AND NOT EXISTS (SELECT 1 FROM trace_pass q
                                    WHERE q.unit_id = v.unit_id AND q.step_id = o.id AND q.superseded IS NULL
                                      AND q.outcome = 'passed'
                                      AND (COALESCE(q.scanned_out, q.ended) < v.gone
                                           OR COALESCE(q.scanned_out, q.ended) = v.gone AND q.id < v.id)))
GROUP BY 1, 2, 3, 4
