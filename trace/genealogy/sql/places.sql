-- Every draw of these units, designator by designator, with each container that may have supplied it; where a
-- pass reaches across a changeover, under each set-up that it meets. A set-up that serves nothing comes with no
-- designator. On the clock what was put on after the moment asked for did not; on other axes passes have their
-- positions. Where only some designators are asked for, a set-up that serves none of them still comes.
SELECT p.unit_id, p.id, p.first, p.last, p.began, p.ended, p.drew, p.only, p.step_id, p.station_id, p.by_id,
       u.first, u."end", l.designator, l.feed_id, s.container_id, s.until + a.slack
FROM trace_pass p
JOIN trace_axis a ON a.id = p.axis_id
JOIN trace_setup u
       ON u.axis_id = p.axis_id AND u.assembly_id = p.assembly_id AND u.first <= p.last AND u."end" > p.first
          AND u."end" > u.first
LEFT JOIN trace_setupline l ON l.setup_id = u.id {of_designators}
LEFT JOIN trace_span s
       ON s.feed_id = l.feed_id AND s.superseded IS NULL AND s.first <= p.last AND s."end" > p.first
          AND s.first >= (SELECT b.oldest FROM trace_span b
                          WHERE b.feed_id = l.feed_id AND b.superseded IS NULL AND b.first <= p.first
                          ORDER BY b.first DESC LIMIT 1)
          AND s.first < u."end" AND s."end" > u.first AND (a.kind <> 'clock' OR s.first - a.slack <= %(at)s)
WHERE p.unit_id IN (SELECT {each units})
  AND p.superseded IS NULL
  AND p.drew <> 'none'
  AND p.began <= %(at)s
