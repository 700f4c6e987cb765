-- The containers of these lots, or these containers, and everything filled from them.
WITH RECURSIVE suspect(id) AS (
    SELECT id FROM trace_container WHERE lot_id IN ({lots}) AND own OR id IN ({containers})
    UNION
    SELECT d.result_id FROM suspect s JOIN trace_derivation d ON d.source_id = s.id WHERE d.superseded IS NULL
)
SELECT id FROM suspect
