-- What is surely or perhaps fitted in the given units: each child with its place.
WITH given(unit, grp) AS ({given})
SELECT g.grp, f.unit_id, u.part_id, f.designator, f.child_id, c.part_id
FROM given g
JOIN trace_fitting f ON f.unit_id = g.unit AND f.child_id IS NOT NULL AND f.superseded IS NULL
     AND f.since <= %(at)s AND (f.until IS NULL OR f.until > %(at)s)
     AND (f.doubted IS NULL OR f.doubted >= %(at)s)
JOIN trace_unit u ON u.id = f.unit_id
JOIN trace_unit c ON c.id = f.child_id
