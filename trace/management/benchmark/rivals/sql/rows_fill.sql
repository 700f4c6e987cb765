-- The placed parts of the boards {low} to {high}, in the order in which they were built. CROSS JOIN keeps SQLite to the order of the tables.
INSERT INTO placed
SELECT u.id, l.designator, r.container, (u.id - 1) * 3 + l.setup_id, r.candidates, f.since
FROM run r
{boards}
CROSS JOIN trace_setupline l
LEFT JOIN trace_fitting f ON f.unit_id = u.id AND f.designator = l.designator AND f.holds = 'container'
WHERE r.last >= {low} AND r.first <= {high} AND l.feed_id = r.feed
ORDER BY u.id, l.id
