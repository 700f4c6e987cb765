-- The spans of these containers, and all that share a position with one of them on its feed; with those of unknown
-- material on these feeds, and all that share a position with them. Read so, a feed's long history costs little.
WITH asked(id) AS (SELECT {each containers}),
     giving(id) AS (SELECT {each feeds}),
     one AS (
        SELECT s.feed_id, s.first, s."end", s.oldest
        FROM asked CROSS JOIN trace_span s
        WHERE s.container_id = asked.id AND s.superseded IS NULL
        UNION
        SELECT s.feed_id, s.first, s."end", s.oldest
        FROM giving CROSS JOIN trace_span s
        WHERE s.feed_id = giving.id AND s.container_id IS NULL AND s.superseded IS NULL
     )
SELECT DISTINCT f.id, f.kind, a.kind, a.slack, t.container_id, t.first, t."end", t.sure_from, t.since, t.until,
       EXISTS (SELECT 1 FROM trace_feedrecord r
               WHERE r.feed_id = t.feed_id AND r.container_id = t.container_id AND r.act = 'top-up'
                 AND r.superseded IS NULL) AS poured
FROM one
CROSS JOIN trace_span t
JOIN trace_feed f ON f.id = t.feed_id
JOIN trace_axis a ON a.id = f.axis_id
WHERE t.feed_id = one.feed_id AND t.superseded IS NULL AND t.first < one."end" AND t."end" > one.first
  AND t.first >= one.oldest
