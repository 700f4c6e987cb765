-- Passes at a station, or of somebody or something at any, that may have been in a window. Those of a day at most are read by when they began; the few
-- longer ones, which began at any time before, by when they ended. The day is that of their index, as a number in the
-- text: SQLite takes a partial index for no other.
SELECT unit_id, began, ended, scanned_in, scanned_out, inside, error
FROM trace_pass
WHERE {whose} AND superseded IS NULL AND outcome <> 'void'
  AND began >= %(since)s - {day} AND began < %(until)s
  AND ended >= %(since)s AND ended <= began + {day}
UNION ALL
SELECT unit_id, began, ended, scanned_in, scanned_out, inside, error
FROM trace_pass
WHERE {whose} AND superseded IS NULL AND outcome <> 'void'
  AND began < %(until)s
  AND ended >= %(since)s AND ended > began + {day}
