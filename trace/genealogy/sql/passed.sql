-- Passes that may have been at a station in a window. Those of a day at most are read by when they began; the few
-- longer ones, which began at any time before, by when they ended.
SELECT unit_id, began, ended, scanned_in, scanned_out, inside, error
FROM trace_pass
WHERE station_id = %(station)s AND superseded IS NULL AND outcome <> 'void'
  AND began > %(since)s - 86400000000 AND began < %(until)s
  AND ended >= %(since)s AND ended <= began + 86400000000
UNION ALL
SELECT unit_id, began, ended, scanned_in, scanned_out, inside, error
FROM trace_pass
WHERE station_id = %(station)s AND superseded IS NULL AND outcome <> 'void'
  AND began < %(until)s
  AND ended >= %(since)s AND ended > began + 86400000000
