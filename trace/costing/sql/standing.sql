-- The given units and all that is fitted in them, each with whether it has begun.
WITH RECURSIVE given(unit, grp) AS ({given}),
inside(unit, grp) AS (
    SELECT unit, grp FROM given
    UNION ALL
    SELECT f.child_id, i.grp
    FROM inside i
    JOIN trace_fitting f ON f.unit_id = i.unit AND f.child_id IS NOT NULL AND f.superseded IS NULL
         AND f.since <= %(at)s AND (f.until IS NULL OR f.until > %(at)s)
         AND (f.doubted IS NULL OR f.doubted >= %(at)s)
)
SELECT i.grp, u.key, u.part_id,
       CASE WHEN EXISTS (SELECT 1 FROM trace_pass p
                         WHERE p.unit_id = u.id AND p.superseded IS NULL AND p.outcome <> 'void'
                           AND p.began <= %(at)s) THEN 1 ELSE 0 END AS begun
FROM inside i
JOIN trace_unit u ON u.id = i.unit
