-- Designators of the given units that drew from suspect positions, each once; units whose places are
-- judged one by one are left out.
WITH given(unit, grp) AS ({given}),
piece(axis, assembly, setup, feed, first, "end") AS ({pieces})
SELECT DISTINCT g.grp, u.key, u.part_id, l.designator
FROM given g
JOIN trace_unit u ON u.id = g.unit AND NOT u.by_designator
JOIN trace_pass p ON p.unit_id = u.id AND p.superseded IS NULL AND p.drew <> 'none' AND p.began <= %(at)s
JOIN piece r ON r.axis = p.axis_id AND r.assembly = p.assembly_id AND r.first <= p.last AND r."end" > p.first
JOIN trace_setupline l ON l.setup_id = r.setup AND l.feed_id = r.feed
