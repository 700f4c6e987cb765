-- The assembly itself and every part in it, at any depth, each once.
WITH RECURSIVE inside (part_id) AS (
    SELECT part.id FROM trace_part AS part WHERE part.id = %s
    UNION
    SELECT line.child_id FROM inside JOIN trace_bomline AS line ON line.parent_id = inside.part_id
)
SELECT part_id FROM inside
