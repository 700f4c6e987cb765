-- An event and what it was about.
WITH event AS (
    INSERT INTO trace_event (verb, by_id, happened, recorded, payload)
    VALUES (%(verb)s, %(by)s, %(happened)s, %(recorded)s, %(payload)s)
    RETURNING id
)
INSERT INTO trace_eventsubject (event_id, kind, key)
SELECT event.id, subject ->> 0, subject ->> 1
FROM event, json_array_elements(%(subjects)s::json) AS subject
