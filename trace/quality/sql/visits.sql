-- Passes at these stations that closed in a window, with the moment at which they did. Those of a day at most are read
-- by when they began; the few longer ones by when they ended. The day is that of their index, as a number in the text:
-- SQLite takes a partial index for no other.
SELECT id, unit_id, step_id, station_id, outcome, scanned_in, COALESCE(scanned_out, ended) AS gone
FROM trace_pass
WHERE station_id = ANY(%(stations)s) AND superseded IS NULL AND outcome NOT IN ('', 'void')
  AND began >= %(since)s - {day} AND began < %(until)s AND ended <= began + {day}
  AND COALESCE(scanned_out, ended) >= %(since)s AND COALESCE(scanned_out, ended) < %(until)s
UNION ALL
SELECT id, unit_id, step_id, station_id, outcome, scanned_in, COALESCE(scanned_out, ended)
FROM trace_pass
WHERE station_id = ANY(%(stations)s) AND superseded IS NULL AND outcome NOT IN ('', 'void')
  AND ended >= %(since)s AND ended > began + {day} AND began < %(until)s
  AND COALESCE(scanned_out, ended) >= %(since)s AND COALESCE(scanned_out, ended) < %(until)s
