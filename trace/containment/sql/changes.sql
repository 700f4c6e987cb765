-- What differs between two snapshots of a containment, a row for each change: (what, unit's id, its key, sureness, place
-- and what is there as it was, and as it is). What was cleared in both did not change.
WITH pair AS (
    SELECT is_now.unit_id, was.id AS was_id, is_now.id AS now_id
    FROM trace_snapshotunit is_now
    LEFT JOIN trace_snapshotunit was ON was.snapshot_id = %(one)s AND was.unit_id = is_now.unit_id
    WHERE is_now.snapshot_id = %(other)s
    UNION ALL
    SELECT was.unit_id, was.id, NULL
    FROM trace_snapshotunit was
    WHERE was.snapshot_id = %(one)s AND NOT EXISTS (
        SELECT 1 FROM trace_snapshotunit is_now WHERE is_now.snapshot_id = %(other)s AND is_now.unit_id = was.unit_id)
),
side AS (
    SELECT pair.unit_id, pair.was_id, pair.now_id,
           was.sureness AS sureness_was, was.place AS place_was,
           CASE WHEN was.shipment <> '' THEN was.shipment WHEN was.carton <> '' THEN was.carton ELSE was.place_key END AS key_was,
           was.top AS top_was,
           is_now.sureness AS sureness_now, is_now.place AS place_now,
           CASE WHEN is_now.shipment <> '' THEN is_now.shipment WHEN is_now.carton <> '' THEN is_now.carton
                ELSE is_now.place_key END AS key_now,
           is_now.top AS top_now
    FROM pair
    LEFT JOIN trace_snapshotunit was ON was.id = pair.was_id
    LEFT JOIN trace_snapshotunit is_now ON is_now.id = pair.now_id
),
change AS (
    SELECT 'new' AS what, side.* FROM side WHERE was_id IS NULL
    UNION ALL
    SELECT 'gone', side.* FROM side WHERE now_id IS NULL
    UNION ALL
    SELECT 'moved', side.* FROM side WHERE place_was <> place_now OR key_was <> key_now OR top_was <> top_now
    UNION ALL
    SELECT 'sureness', side.* FROM side WHERE sureness_was <> sureness_now
)
{wanted}
