-- Every pass of these units that stands, and whether a set-up that it met served a place that one of
-- these set-ups serves too.
SELECT p.unit_id, p.step_id, p.station_id, p.outcome, p.drew, p.scanned_in, p.scanned_out, p.error, p.began, p.ended,
       EXISTS (
           SELECT 1
           FROM trace_setup met
           JOIN trace_setupline line ON line.setup_id = met.id
           WHERE met.axis_id = p.axis_id AND met.assembly_id = p.assembly_id
             AND met.first <= p.last AND met."end" > p.first
             AND line.designator IN (SELECT designator FROM trace_setupline WHERE setup_id = ANY(%(setups)s))
       ) AS refilling
FROM trace_pass p
WHERE p.unit_id = ANY(%(units)s) AND p.superseded IS NULL
