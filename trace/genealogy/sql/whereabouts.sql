-- Where each unit that is not packed is at a moment: scrapped, fitted in a parent, inside a station, in which open
-- return, or after the furthest step it passed; finished once it has passed every step of its route, of alternatives
-- one. Where it was scanned last, and whether anything had begun in it: a pass, perhaps, or something fitted. None of
-- that is looked for of what is fitted.
-- The units asked for come first: otherwise PostgreSQL reads whole tables. Not known, where it was not found in the
-- parent on record, and was not scanned since it was last surely there.
WITH asked(id) AS (SELECT {each units})
SELECT u.id,
       CASE WHEN u.scrapped <= %(at)s THEN u.scrapped END,
       home.key, f.since,
       station.key, inside.began,
       step.number, scan_at.key, COALESCE(scan.scanned_out, scan.scanned_in),
       CASE WHEN f.id IS NULL THEN
           NOT EXISTS (SELECT 1 FROM trace_step t
                       WHERE t.part_id = u.part_id
                         AND NOT EXISTS (SELECT 1 FROM trace_pass p
                                         WHERE p.unit_id = u.id AND p.step_id = t.id AND p.superseded IS NULL
                                           AND p.outcome = 'passed' AND COALESCE(p.scanned_out, p.began) <= %(at)s
                                           AND (p.due_again IS NULL OR p.due_again > %(at)s))
                         AND NOT EXISTS (SELECT 1 FROM trace_skip k
                                         WHERE k.unit_id = u.id AND k.step_id = t.id AND k.superseded IS NULL
                                           AND k.at <= %(at)s)
                         AND (t.alternative = ''
                              OR NOT EXISTS (SELECT 1 FROM trace_step o
                                             WHERE o.part_id = t.part_id AND o.alternative = t.alternative
                                               AND (EXISTS (SELECT 1 FROM trace_pass p
                                                            WHERE p.unit_id = u.id AND p.step_id = o.id
                                                              AND p.superseded IS NULL AND p.outcome = 'passed'
                                                              AND COALESCE(p.scanned_out, p.began) <= %(at)s
                                                              AND (p.due_again IS NULL OR p.due_again > %(at)s))
                                                    OR EXISTS (SELECT 1 FROM trace_skip k
                                                               WHERE k.unit_id = u.id AND k.step_id = o.id
                                                                 AND k.superseded IS NULL AND k.at <= %(at)s)))))
       END,
       CASE WHEN f.id IS NULL THEN
           seen.id IS NOT NULL
           OR EXISTS (SELECT 1 FROM trace_pass p
                      WHERE p.unit_id = u.id AND p.superseded IS NULL AND p.outcome <> 'void' AND p.began <= %(at)s)
           OR EXISTS (SELECT 1 FROM trace_fitting g
                      WHERE g.unit_id = u.id AND g.superseded IS NULL AND g.since <= %(at)s)
       END,
       missed_in.key, missed.doubted,
       back.key, back.received, customer.key, customer.name
FROM asked
CROSS JOIN trace_unit u
LEFT JOIN trace_fitting f
       ON f.child_id = u.id AND f.superseded IS NULL AND f.since <= %(at)s
          AND (f.until IS NULL OR f.until > %(at)s) AND (f.doubted IS NULL OR f.doubted >= %(at)s)
LEFT JOIN trace_unit home ON home.id = f.unit_id
LEFT JOIN trace_fitting missed
       ON missed.child_id = u.id AND missed.doubted IS NOT NULL
          AND missed.id = (SELECT g.id FROM trace_fitting g
                           WHERE g.child_id = u.id AND g.superseded IS NULL AND g.doubted < %(at)s
                           ORDER BY g.doubted DESC, g.id DESC LIMIT 1)
          AND NOT EXISTS (SELECT 1 FROM trace_fitting g
                          WHERE g.child_id = u.id AND g.superseded IS NULL
                            AND g.since > missed.doubted AND g.since <= %(at)s)
          AND NOT EXISTS (SELECT 1 FROM trace_packing g
                          WHERE g.unit_id = u.id AND g.since > missed.doubted AND g.since <= %(at)s)
          AND NOT EXISTS (SELECT 1 FROM trace_loosesighting g
                          WHERE g.unit_id = u.id AND g.at > missed.doubted AND g.at <= %(at)s)
          AND NOT EXISTS (SELECT 1 FROM trace_pass g
                          WHERE g.unit_id = u.id AND g.superseded IS NULL AND g.outcome <> 'void'
                            AND (g.scanned_in > missed.doubted AND g.scanned_in <= %(at)s
                                 OR g.scanned_out > missed.doubted AND g.scanned_out <= %(at)s))
LEFT JOIN trace_unit missed_in ON missed_in.id = missed.unit_id
LEFT JOIN trace_pass inside
       ON inside.id = CASE WHEN f.id IS NULL THEN (
           SELECT p.id FROM trace_pass p
           WHERE p.unit_id = u.id AND p.superseded IS NULL
             AND p.scanned_in <= %(at)s AND (p.inside OR COALESCE(p.scanned_out, p.ended) > %(at)s)
           ORDER BY p.began DESC LIMIT 1) END
LEFT JOIN trace_station station ON station.id = inside.station_id
LEFT JOIN trace_pass seen
       ON seen.id = (SELECT p.id FROM trace_pass p JOIN trace_step t ON t.id = p.step_id
                     WHERE p.unit_id = u.id AND p.superseded IS NULL AND p.outcome = 'passed'
                       AND COALESCE(p.scanned_out, p.began) <= %(at)s
                       AND (p.due_again IS NULL OR p.due_again > %(at)s)
                     ORDER BY t.number DESC LIMIT 1)
LEFT JOIN trace_step step ON step.id = seen.step_id
LEFT JOIN trace_pass scan
       ON scan.id = CASE WHEN f.id IS NULL THEN (
           SELECT p.id FROM trace_pass p
           WHERE p.unit_id = u.id AND p.superseded IS NULL AND p.outcome <> 'void'
             AND COALESCE(p.scanned_out, p.scanned_in) <= %(at)s
           ORDER BY COALESCE(p.scanned_out, p.scanned_in) DESC, p.id DESC LIMIT 1) END
LEFT JOIN trace_station scan_at ON scan_at.id = scan.station_id
LEFT JOIN trace_return back
       ON back.unit_id = u.id AND back.superseded IS NULL AND back.received <= %(at)s
          AND (back.closed IS NULL OR back.closed > %(at)s)
LEFT JOIN trace_customer customer ON customer.id = back.customer_id
WHERE u.id = asked.id
