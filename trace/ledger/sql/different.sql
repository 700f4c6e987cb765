-- The different values of a column with an index of its own: a look-up for each, whatever the number of rows.
WITH RECURSIVE different(value) AS (
    SELECT min({column}) FROM {table}
    UNION ALL
    SELECT (SELECT min({column}) FROM {table} WHERE {column} > different.value)
    FROM different WHERE different.value IS NOT NULL
)
SELECT value FROM different WHERE value IS NOT NULL
