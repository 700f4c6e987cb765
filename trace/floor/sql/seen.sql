-- Each feed of set-ups and when what is on it was seen last, since it changed and the set-up began, up to a
-- moment: by anybody, and by one who neither made that change nor started the set-up. What was scanned elsewhere counts
-- as gone from then. Baths are left out, since nobody can scan what is melted, and heads, whose tape is finished before
-- it is mounted.
WITH bank AS MATERIALIZED (
    SELECT DISTINCT setup.id AS setup, setup.started, setup.by_id AS starter, feed.id AS feed, feed.key
    FROM trace_setup setup
    JOIN trace_setupline line ON line.setup_id = setup.id
    JOIN trace_feed feed ON feed.id = line.feed_id
    WHERE setup.id {verified} AND feed.kind IN ('slot', 'bin')
),
changed AS MATERIALIZED (
    SELECT bank.setup, bank.started, bank.starter, bank.feed, bank.key, (
        SELECT record.id FROM trace_feedrecord record
        WHERE record.feed_id = bank.feed AND record.superseded IS NULL AND record.act <> 'sighting'
          AND record.happened <= %(scan)s
          AND (record.act <> 'seen-away' OR record.happened + record.error <= %(scan)s)
        ORDER BY record.happened DESC, record.id DESC LIMIT 1
    ) AS change
    FROM bank
)
SELECT changed.setup, changed.feed, changed.key, max(seen.happened) AS seen, max(
    CASE WHEN coalesce(seen.by_id <> changed.starter, TRUE) AND coalesce(seen.by_id <> change.by_id, TRUE)
         THEN seen.happened END
) AS seen_by_another
FROM changed
LEFT JOIN trace_feedrecord change ON change.id = changed.change
LEFT JOIN trace_feedrecord seen
    ON seen.feed_id = changed.feed AND seen.superseded IS NULL AND seen.act = 'sighting'
   AND seen.happened <= %(scan)s AND seen.happened >= changed.started AND (
        change.id IS NULL
        OR seen.happened > change.happened + CASE WHEN change.act = 'seen-away' THEN change.error ELSE 0 END
        OR seen.happened = change.happened AND seen.id > change.id AND change.act <> 'seen-away')
GROUP BY changed.setup, changed.feed, changed.key
ORDER BY changed.key
