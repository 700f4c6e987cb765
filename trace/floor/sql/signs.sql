-- Whether there is anything to look into before these units go ahead, in one row. A sign may be given
-- where a closer look finds nothing; where none is given there is nothing.
WITH giving AS (
    SELECT feed.id, feed.key AS feed, feed.kind, container.key AS container, lot.key AS lot, lot.expiry
    FROM trace_feed feed
    JOIN trace_span span ON span.feed_id = feed.id AND span.superseded IS NULL
                        AND span.first <= %(last)s AND span."end" > %(first)s
    LEFT JOIN trace_container container ON container.id = span.container_id
    LEFT JOIN trace_lot lot ON lot.id = container.lot_id
    WHERE feed.id IN (SELECT feed_id FROM trace_setupline WHERE setup_id = ANY(%(setups)s))
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
    EXISTS (
        SELECT 1
        FROM trace_step step
        JOIN trace_designator place ON place.parent_id = step.part_id AND place.step_number = step.number
        JOIN trace_setup setup ON setup.assembly_id = step.part_id
        JOIN trace_setupline line ON line.setup_id = setup.id AND line.designator = place.name
        WHERE step.id = ANY(%(unserved)s)
    ) AS served_elsewhere,
    EXISTS (SELECT 1 FROM giving WHERE kind <> 'bath' AND expiry < %(day)s)
    OR EXISTS (SELECT 1 FROM giving WHERE kind <> 'head' GROUP BY id HAVING count(container) = 0)
    OR EXISTS (
        SELECT 1 FROM trace_hold
        WHERE released IS NULL AND target_kind IN ('unit', 'station', 'setup', 'tape') AND target_key = ANY(%(named)s)
    )
    OR EXISTS (
        SELECT 1 FROM trace_hold
        WHERE released IS NULL AND target_kind IN ('feed', 'container', 'lot') AND target_key IN (
            SELECT feed FROM giving UNION ALL SELECT container FROM giving UNION ALL SELECT lot FROM giving
        )
    ) AS stops
