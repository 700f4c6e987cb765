-- How many passes closed in a window: by station, step and outcome, and whether they were the unit's first try of the
-- step; how many of them since a moment.
WITH visit AS ({visits})
SELECT v.station_id, v.step_id, v.outcome,
       NOT EXISTS (SELECT 1 FROM trace_pass q
                   WHERE q.unit_id = v.unit_id AND q.step_id = v.step_id AND q.superseded IS NULL
                     AND q.outcome NOT IN ('', 'void')
                     AND (COALESCE(q.scanned_out, q.ended) < v.gone
                          OR COALESCE(q.scanned_out, q.ended) = v.gone AND q.id < v.id)) AS first_try,
       COUNT(*), SUM(CASE WHEN v.gone >= %(lately)s THEN 1 ELSE 0 END)
FROM visit v
WHERE v.step_id = ANY(%(steps)s)
GROUP BY 1, 2, 3, 4
