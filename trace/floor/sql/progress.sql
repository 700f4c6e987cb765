-- Per place in an order's route, the units that passed or skipped it, are inside it, failed it last and were not inside
-- since, were scrapped before; of the others nobody has said anything. Alternatives are one place, that of the first.
WITH place AS (
    SELECT s.id, COALESCE((SELECT MIN(o.number) FROM trace_step o
                           WHERE o.part_id = s.part_id AND o.alternative = s.alternative AND s.alternative <> ''),
                          s.number) AS number
    FROM trace_step s JOIN trace_workorder w ON w.part_id = s.part_id
    WHERE w.id = %(order)s
), seen AS (
    SELECT u.id AS unit, place.number, CASE WHEN p.due_again IS NULL THEN p.outcome ELSE 'again' END AS outcome
    FROM trace_unit u
    JOIN trace_pass p ON p.unit_id = u.id AND p.superseded IS NULL AND p.outcome <> 'void'
    JOIN place ON place.id = p.step_id
    WHERE u.order_id = %(order)s
    UNION ALL
    SELECT u.id, place.number, 'passed'
    FROM trace_unit u
    JOIN trace_skip k ON k.unit_id = u.id AND k.superseded IS NULL
    JOIN place ON place.id = k.step_id
    WHERE u.order_id = %(order)s
), judged AS (
    SELECT unit, number,
           MAX(CASE WHEN outcome = 'passed' THEN 3 WHEN outcome = '' THEN 2 WHEN outcome = 'failed' THEN 1 ELSE 0 END)
               AS best
    FROM seen GROUP BY unit, number
)
SELECT number.number,
       (SELECT COUNT(*) FROM judged j WHERE j.number = number.number AND j.best = 3),
       (SELECT COUNT(*) FROM judged j WHERE j.number = number.number AND j.best = 2),
       (SELECT COUNT(*) FROM judged j JOIN trace_unit u ON u.id = j.unit
        WHERE j.number = number.number AND j.best = 1 AND u.scrapped IS NULL),
       (SELECT COUNT(*) FROM trace_unit u
        WHERE u.order_id = %(order)s AND u.scrapped IS NOT NULL
          AND NOT EXISTS (SELECT 1 FROM judged j WHERE j.unit = u.id AND j.number = number.number AND j.best = 3))
FROM (SELECT DISTINCT number FROM place) number
ORDER BY 1
