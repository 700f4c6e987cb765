-- Of a unit `u`: each unit that it is or was fitted in, or may have been, up to a moment.
LEFT JOIN trace_fitting f
       ON f.child_id = u.id AND f.superseded IS NULL AND (f.since - f.error <= %(at)s OR f.earliest <= %(at)s)
