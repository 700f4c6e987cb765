LEFT JOIN LATERAL (
    SELECT * FROM trace_fitting g
    WHERE g.child_id = u.id AND g.superseded IS NULL AND (g.since - g.error <= %(at)s OR g.earliest <= %(at)s)
    OFFSET 0
) AS f ON TRUE
