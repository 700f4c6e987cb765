-- The feeds that serve these assemblies somewhere in first..last of these axes and that draws there may
-- move: those that wait for draws, and those that count them and have an edge after the first. They are locked.
WITH moved AS MATERIALIZED (
    SELECT id FROM trace_feed WHERE axis_id = ANY(%(axes)s) AND unsettled
    UNION ALL SELECT feed_id FROM trace_span
    WHERE axis_id = ANY(%(axes)s) AND superseded IS NULL AND "end" > %(first)s AND "end" < {open}
    UNION ALL SELECT feed_id FROM trace_span
    WHERE axis_id = ANY(%(axes)s) AND superseded IS NULL AND "end" = {open} AND first > %(first)s AND first < {open} - 1
)
SELECT feed.id, feed.unsettled, axis.id, axis.kind, axis.tape_id
FROM trace_feed feed JOIN trace_axis axis ON axis.id = feed.axis_id
WHERE feed.id = ANY(ARRAY(SELECT id FROM moved))
  -- Counted, one at most: asked whether there is any, PostgreSQL reads the records of all feeds.
  AND (feed.unsettled OR 0 < (
        SELECT count(*) FROM (
            SELECT record.id FROM trace_feedrecord record
            WHERE record.feed_id = feed.id AND record.superseded IS NULL
              AND (record.act = ANY(%(by_draws)s) OR record.quantity IS NOT NULL)
            LIMIT 1) AS counting
  ))
  AND EXISTS (
        SELECT 1 FROM trace_setupline line JOIN trace_setup setup ON setup.id = line.setup_id
        WHERE line.feed_id = feed.id
          AND setup.axis_id = ANY(%(axes)s) AND setup.assembly_id = ANY(%(assemblies)s)
          AND setup.first <= %(last)s AND setup."end" > %(first)s AND setup."end" > setup.first
  )
ORDER BY feed.id
FOR UPDATE OF feed
