-- Whether there is anything to look into before these units go ahead, in one row. A sign may be given
-- where a closer look finds nothing; where none is given there is nothing. Small steps are planned faster
-- than one join of all these tables would be.
WITH serving AS MATERIALIZED (
    SELECT id, key, kind FROM trace_feed
    WHERE id IN (SELECT feed_id FROM trace_setupline WHERE setup_id = ANY(%(setups)s))
),
giving AS MATERIALIZED (
    SELECT serving.id AS feed, serving.kind, span.container_id
    FROM serving JOIN trace_span span ON span.feed_id = serving.id AND span.superseded IS NULL
                        AND span."end" > %(first)s AND span.first <= %(last)s
),
loaded AS MATERIALIZED (
    SELECT container.key, container.lot_id, giving.kind
    FROM giving JOIN trace_container container ON container.id = giving.container_id
),
lots AS MATERIALIZED (
    SELECT lot.key, lot.expiry, loaded.kind FROM loaded JOIN trace_lot lot ON lot.id = loaded.lot_id
)
SELECT
    EXISTS (SELECT 1 FROM trace_pass WHERE unit_id = ANY(%(units)s) AND inside AND superseded IS NULL)
    OR EXISTS (SELECT 1 FROM trace_fitting WHERE child_id = ANY(%(units)s) AND until IS NULL AND superseded IS NULL)
    OR EXISTS (SELECT 1 FROM trace_packing WHERE unit_id = ANY(%(units)s) AND until IS NULL)
        AS elsewhere,
    EXISTS (
        SELECT 1 FROM trace_fitting
        WHERE unit_id = ANY(%(units)s) AND holds IN ('child', 'unknown') AND until IS NULL AND superseded IS NULL
    ) AS children,
    EXISTS (
        SELECT 1 FROM trace_bomline line JOIN trace_part child ON child.id = line.child_id
        WHERE line.parent_id = ANY(%(parts)s) AND child.serialised
    ) AS places_of_children,
    EXISTS (SELECT 1 FROM lots WHERE expiry < %(day)s AND kind <> 'bath')
    OR EXISTS (SELECT 1 FROM giving WHERE kind <> 'head' GROUP BY feed HAVING count(container_id) = 0)
    OR EXISTS (
        SELECT 1 FROM trace_hold
        WHERE released IS NULL AND target_kind IN ('unit', 'station', 'setup', 'tape') AND target_key = ANY(%(named)s)
    )
    OR EXISTS (
        SELECT 1 FROM trace_hold
        WHERE released IS NULL AND target_kind IN ('feed', 'container', 'lot') AND target_key IN (
            SELECT key FROM serving UNION ALL SELECT key FROM loaded UNION ALL SELECT key FROM lots
        )
    ) AS stops
