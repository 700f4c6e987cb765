-- Of each feed of one axis what is reckoned anew where something changed at a position or after: its records and standing
-- spans from the last place before it at which it was surely emptied, with every other record surely before that or
-- after it: nothing from there on follows from what was before, nor the other way. Only the last few emptyings are tried.
-- And what draws from them, from the first of these records on that counts draws: where none does, nothing that drew.
WITH anchor AS MATERIALIZED (
    SELECT feed.id AS feed, (
        SELECT emptied.id
        FROM (
            SELECT record.id, record.first FROM trace_feedrecord record
            WHERE record.feed_id = feed.id AND record.superseded IS NULL AND record.act = ANY(%(emptying)s)
              AND record.first = record.last AND record.first < %(since)s
            ORDER BY record.first DESC, record.id DESC LIMIT 5
        ) AS emptied
        WHERE NOT EXISTS (
            SELECT 1 FROM trace_feedrecord other
            WHERE other.feed_id = feed.id AND other.superseded IS NULL AND other.id <> emptied.id
              AND other.first <= emptied.first AND other.last >= emptied.first
        )
        ORDER BY emptied.first DESC, emptied.id DESC LIMIT 1
    ) AS id
    FROM trace_feed feed WHERE feed.id = ANY(%(feeds)s)
),
since AS MATERIALIZED (
    SELECT anchor.feed, anchor.id, coalesce(record.first, 0) AS first
    FROM anchor LEFT JOIN trace_feedrecord record ON record.id = anchor.id
),
counting AS MATERIALIZED (
    SELECT min(record.first) AS first
    FROM since JOIN trace_feedrecord record ON record.feed_id = since.feed AND record.first >= since.first
    WHERE record.superseded IS NULL AND (record.act = ANY(%(by_draws)s) OR record.quantity IS NOT NULL)
)
SELECT (
    SELECT jsonb_agg(jsonb_build_array(since.feed, since.id, since.first)) FROM since
) AS anchors, (
    SELECT jsonb_agg(jsonb_build_array(
        since.feed, record.id, record.act, record.container_id, record.first, record.last, coalesce(record.lead, 0),
        coalesce(record.tolerance, 0), record.quantity, record.at_least, record."left", record.cleaned,
        record.happened, record.error
    ))
    FROM since JOIN trace_feedrecord record ON record.feed_id = since.feed AND record.first >= since.first
    WHERE record.superseded IS NULL
) AS records, (
    SELECT jsonb_agg(jsonb_build_array(
        since.feed, span.id, span.first, span."end", span.container_id, span.sure_from, span.since, span.until,
        span.oldest
    ))
    FROM since JOIN trace_span span ON span.feed_id = since.feed AND span.first >= since.first
    WHERE span.superseded IS NULL
) AS spans, drawn.*
FROM ({drawn}) AS drawn
