-- What gives to whatever goes at positions, feed by feed.
SELECT bank.id AS feed_id, span.container_id
FROM bank JOIN trace_span span ON span.feed_id = bank.id AND span.superseded IS NULL
                              AND span."end" > %(since)s AND span.first <= %(until)s
                              AND span.first >= (
                                SELECT begun.oldest FROM trace_span begun
                                WHERE begun.feed_id = bank.id AND begun.superseded IS NULL
                                  AND begun.first <= %(since)s
                                ORDER BY begun.first DESC LIMIT 1)
