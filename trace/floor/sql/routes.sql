-- The routes of these parts: each step in order, once per station where it may be done.
SELECT step.part_id, step.id, step.number, step.name, station.key
FROM trace_step step
LEFT JOIN trace_step_stations at ON at.step_id = step.id
LEFT JOIN trace_station station ON station.id = at.station_id
WHERE step.part_id = ANY(%(parts)s)
ORDER BY step.number, station.key
