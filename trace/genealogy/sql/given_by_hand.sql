-- Fittings whose part came from a feed, with each container that may have given it.
SELECT f.id, s.container_id, s.until + a.slack
FROM trace_fitting f
JOIN trace_feed feed ON feed.id = f.feed_id
JOIN trace_axis a ON a.id = feed.axis_id
JOIN trace_span s
  ON s.feed_id = f.feed_id AND s.superseded IS NULL AND s.first <= f.last AND s."end" > f.first
     AND s.first >= (SELECT b.oldest FROM trace_span b
                     WHERE b.feed_id = f.feed_id AND b.superseded IS NULL AND b.first <= f.first
                     ORDER BY b.first DESC LIMIT 1)
WHERE f.id IN (SELECT {each fittings})
