-- An event and what it was about. Nobody else writes meanwhile: the latest event is this one.
INSERT INTO trace_event (verb, by_id, happened, recorded, payload)
VALUES (%(verb)s, %(by)s, %(happened)s, %(recorded)s, %(payload)s);

INSERT INTO trace_eventsubject (event_id, kind, key)
SELECT event.id, value ->> 0, value ->> 1
FROM (SELECT max(id) AS id FROM trace_event) AS event, json_each(%(subjects)s)
