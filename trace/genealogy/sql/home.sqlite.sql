LEFT JOIN trace_fitting f
       ON f.child_id = u.id AND f.superseded IS NULL AND (f.since - f.error <= %(at)s OR f.earliest <= %(at)s)
