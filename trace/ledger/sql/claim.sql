-- The row of a request, where nobody has it yet; whoever has it under way is waited for.
INSERT INTO trace_answer (client, key, digest, response, recorded)
VALUES (%(client)s, %(key)s, %(digest)s, '', %(recorded)s)
ON CONFLICT DO NOTHING
RETURNING id
