-- The feeds that serve these assemblies somewhere in first..last of these axes and that draws there may
-- move: those that wait for draws, and those that count them and have an edge after the first. They are locked.
SELECT feed.id, feed.unsettled, axis.id, axis.kind, axis.tape_id
FROM trace_feed feed JOIN trace_axis axis ON axis.id = feed.axis_id
WHERE feed.id IN (
        SELECT line.feed_id
        FROM trace_setup setup
        JOIN trace_setupline line ON line.setup_id = setup.id
        WHERE setup.axis_id = ANY(%(axes)s) AND setup.assembly_id = ANY(%(assemblies)s)
          AND setup.first <= %(last)s AND setup."end" > %(first)s AND setup."end" > setup.first
    )
  AND (feed.unsettled OR (
        (
            EXISTS (
                SELECT 1 FROM trace_span span
                WHERE span.feed_id = feed.id AND span.superseded IS NULL
                  AND span."end" > %(first)s AND span."end" < %(open)s
            )
            OR EXISTS (
                SELECT 1 FROM trace_span span
                WHERE span.feed_id = feed.id AND span.superseded IS NULL
                  AND span.first > %(first)s AND span.first < %(open)s - 1
            )
        )
        AND EXISTS (
            SELECT 1 FROM trace_feedrecord record
            WHERE record.feed_id = feed.id AND record.superseded IS NULL
              AND (record.act = ANY(%(by_draws)s) OR record.quantity IS NOT NULL)
        )
    ))
ORDER BY feed.id
FOR UPDATE OF feed
