-- The designators that these steps fill and that some set-up of their part serves.
SELECT DISTINCT step.id, place.name
FROM trace_step step
JOIN trace_designator place ON place.parent_id = step.part_id AND place.step_number = step.number
WHERE step.id = ANY(%(steps)s)
  AND EXISTS (
      SELECT 1 FROM trace_setup setup JOIN trace_setupline line ON line.setup_id = setup.id
      WHERE setup.assembly_id = step.part_id AND line.designator = place.name
  )
