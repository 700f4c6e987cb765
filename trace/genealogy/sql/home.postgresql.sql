-- Of a unit `u`: each unit that it is or was fitted in, or may have been, up to a moment. OFFSET 0 keeps the planner from
-- reading all fittings.
LEFT JOIN LATERAL (
    SELECT * FROM trace_fitting g
    WHERE g.child_id = u.id AND g.superseded IS NULL AND (g.since - g.error <= %(at)s OR g.earliest <= %(at)s)
    OFFSET 0
) AS f ON TRUE
