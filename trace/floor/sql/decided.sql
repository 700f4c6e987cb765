-- What was decided of the first pieces of set-ups up to a moment. A decision falls with the pass that it is about.
SELECT decided.id, decided.setup_id, decided.step_id, decided.happened, decided.approved
FROM trace_firstpiece decided JOIN trace_setup setup ON setup.id = decided.setup_id
WHERE decided.setup_id {begun} AND decided.happened <= %(scan)s
  AND EXISTS (
      SELECT 1 FROM trace_pass came
      WHERE came.unit_id = decided.unit_id AND came.step_id = decided.step_id AND came.axis_id = setup.axis_id
        AND came.began <= decided.happened AND came.outcome <> 'void' AND came.superseded IS NULL
  )
