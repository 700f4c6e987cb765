-- Every assembly that has the part in it, at any depth, each once.
WITH RECURSIVE using_it (part_id) AS (
    SELECT line.parent_id FROM trace_bomline AS line WHERE line.child_id = %s
    UNION
    SELECT line.parent_id FROM using_it JOIN trace_bomline AS line ON line.child_id = using_it.part_id
)
SELECT part_id FROM using_it
