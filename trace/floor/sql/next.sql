-- What gives to whatever goes ahead now: what is on the feeds of these set-ups. Of an end told as a parameter a plan
-- that serves all scans would know nothing, and read the table; by its feed (+) nothing is looked up.
SELECT feed_id, container_id FROM trace_span
WHERE axis_id = ANY(ARRAY(SELECT axis_id FROM serving)) AND "end" = {open} AND superseded IS NULL
  AND +feed_id IN (SELECT id FROM bank)
