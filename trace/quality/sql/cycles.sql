-- How long a station had work for each unit, in tenths of a second, and for how many units it was so. Work on a unit
-- lasts from its scan in to its scan out; where it was not scanned in, from the later of the scan before it here and
-- its own scan before this one, if no shift began between: it may have lain there when nobody worked. Work that overlaps
-- is one stretch, shared by all units in it: a rack, a conveyor.
WITH visit AS ({visits}),
shift(begins) AS (SELECT {each begins}),
before AS (
    SELECT v.*,
           MAX(gone) OVER (PARTITION BY station_id ORDER BY gone
                           RANGE BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS here,
           CASE WHEN scanned_in IS NULL THEN (
               SELECT MAX(COALESCE(q.scanned_out, q.scanned_in)) FROM trace_pass q
               WHERE q.unit_id = v.unit_id AND q.id <> v.id AND q.superseded IS NULL AND q.outcome <> 'void'
                 AND COALESCE(q.scanned_out, q.scanned_in) < v.gone) END AS elsewhere
    FROM visit v
),
work AS (
    SELECT station_id, scanned_in, gone,
           COALESCE(scanned_in, CASE WHEN here IS NULL OR elsewhere > here THEN elsewhere ELSE here END) AS came
    FROM before
    WHERE step_id = ANY(%(steps)s)
),
begun AS (
    SELECT station_id, came, gone,
           CASE WHEN came < MAX(gone) OVER (PARTITION BY station_id ORDER BY came, gone
                                            ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) THEN 0 ELSE 1 END AS anew
    FROM work
    WHERE scanned_in IS NOT NULL
       OR came IS NOT NULL AND NOT EXISTS (SELECT 1 FROM shift WHERE begins > work.came AND begins <= work.gone)
),
numbered AS (
    SELECT station_id, came, gone,
           SUM(anew) OVER (PARTITION BY station_id ORDER BY came, gone
                           ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW) AS stretch
    FROM begun
),
stretches AS (
    SELECT station_id, (MAX(gone) - MIN(came)) / (COUNT(*) * 100000) AS tenths, COUNT(*) AS units
    FROM numbered
    GROUP BY station_id, stretch
)
SELECT station_id, tenths, SUM(units) FROM stretches GROUP BY 1, 2
