-- What the interlock looks at, in one row: the set-ups in force here, the routes and the units' passes,
-- and whether there is anything of each rarer kind to look into. Where a sign is given a closer look may
-- find nothing; where none is given there is nothing. Small steps are planned faster than one join.
WITH in_force AS MATERIALIZED (
    SELECT setup.id, setup.key, setup.assembly_id, setup.axis_id, setup.first, setup."end", setup.started,
           axis.kind, axis.slack
    FROM trace_axis axis JOIN trace_setup setup ON setup.axis_id = axis.id
    WHERE axis.station_id = %(station)s AND setup.assembly_id = ANY(%(parts_without)s)
      AND setup.first <= %(until)s AND setup."end" > %(since)s
),
serving AS MATERIALIZED (
    SELECT id, assembly_id, axis_id FROM in_force
    UNION ALL SELECT id, assembly_id, axis_id FROM trace_setup WHERE id = ANY(%(named)s)
),
asked AS MATERIALIZED (
    SELECT serving.id AS setup, step.verification, step.first_piece
    FROM serving
    JOIN trace_step step ON step.part_id = serving.assembly_id AND (step.verification <> '' OR step.first_piece)
    JOIN trace_step_stations at ON at.step_id = step.id AND at.station_id = %(station)s
),
line AS MATERIALIZED (
    SELECT feed_id, designator FROM trace_setupline WHERE setup_id IN (SELECT id FROM serving)
),
bank AS MATERIALIZED (
    SELECT id, key, kind FROM trace_feed WHERE id IN (SELECT feed_id FROM line)
),
giving AS MATERIALIZED ({giving}),
loaded AS MATERIALIZED (
    SELECT id, key, lot_id, part_id, exposed FROM trace_container
    WHERE id = ANY(ARRAY(SELECT container_id FROM giving))
),
lots AS MATERIALIZED (
    SELECT id, key, expiry, status, status_since FROM trace_lot WHERE id = ANY(ARRAY(SELECT lot_id FROM loaded))
)
SELECT
    (SELECT jsonb_agg(jsonb_build_array(id, key, assembly_id, axis_id, first, "end", started, kind, slack))
     FROM in_force) AS setups,
    (
        SELECT jsonb_agg(jsonb_build_array(
            step.part_id, step.id, step.number, step.name, step.free_order, step.alternative,
            step.qualification_id, step.equipment_kind, coalesce(program.key, ''), step.verification, step.first_piece,
            step.attempts, (
                SELECT count(*) FROM trace_characteristic asked
                WHERE asked.part_id = step.part_id AND asked.step_number = step.number
            ),
            step.sample_every IS NOT NULL, EXISTS (
                SELECT 1 FROM trace_samplerule rule
                WHERE rule.number = part.number AND rule.step_number = step.number
            ), station.key
        ))
        FROM trace_step step JOIN trace_part part ON part.id = step.part_id
        LEFT JOIN trace_program program ON program.id = step.program_id
        LEFT JOIN trace_step_stations at ON at.step_id = step.id
        LEFT JOIN trace_station station ON station.id = at.station_id
        WHERE step.part_id = ANY(%(parts)s)
    ) AS routes,
    (
        SELECT jsonb_agg(jsonb_build_array(
            p.unit_id, p.step_id, p.station_id, p.outcome, p.drew, p.scanned_in, p.scanned_out, p.error, p.began,
            p.ended, p.due_again, EXISTS (
                SELECT 1 FROM trace_setup met JOIN trace_setupline served ON served.setup_id = met.id
                WHERE met.axis_id = p.axis_id AND met.assembly_id = p.assembly_id
                  AND met.first <= p.last AND met."end" > p.first
                  AND served.designator IN (SELECT designator FROM line)
            )
        ))
        FROM trace_pass p
        WHERE p.unit_id = ANY(%(units)s) AND p.superseded IS NULL
    ) AS visits,
    (
        SELECT jsonb_agg(jsonb_build_array(unit_id, step_id))
        FROM trace_skip WHERE unit_id = ANY(%(units)s) AND superseded IS NULL
    ) AS skips,
    (
        SELECT jsonb_agg(jsonb_build_array(unit_id, at, returns_id))
        FROM trace_repair
        WHERE unit_id = ANY(%(units)s) AND returns_id IS NOT NULL AND at > %(scan)s AND superseded IS NULL
    ) AS sent_back,
    (
        SELECT jsonb_agg(jsonb_build_array(unit.id, ordered.key))
        FROM trace_unit unit JOIN trace_workorder ordered ON ordered.id = unit.order_id
        WHERE unit.id = ANY(%(units)s) AND ordered.closed <= %(scan)s
    ) AS closed,
    CASE WHEN EXISTS (SELECT 1 FROM asked WHERE verification <> '') THEN (
        SELECT jsonb_agg(jsonb_build_array(setup, feed, key, seen, seen_by_another)) FROM ({seen}) AS seen
    ) END AS seen,
    CASE WHEN EXISTS (SELECT 1 FROM asked WHERE first_piece) THEN (
        SELECT jsonb_agg(jsonb_build_array(id, setup_id, step_id, happened, approved)) FROM ({decided}) AS decided
    ) END AS decided,
    EXISTS (SELECT 1 FROM trace_pass WHERE unit_id = ANY(%(units)s) AND inside AND superseded IS NULL)
    OR EXISTS (SELECT 1 FROM trace_fitting WHERE child_id = ANY(%(units)s) AND until IS NULL AND superseded IS NULL)
    OR EXISTS (SELECT 1 FROM trace_packing WHERE unit_id = ANY(%(units)s) AND until IS NULL)
    OR EXISTS (
        SELECT 1 FROM trace_carried carried JOIN trace_carrier carrier ON carrier.id = carried.carrier_id
        WHERE carried.unit_id = ANY(%(units)s) AND carried.until IS NULL AND carried.superseded IS NULL
          AND carrier.kind = 'panel'
    )
    OR EXISTS (SELECT 1 FROM trace_sample WHERE unit_id = ANY(%(units)s) AND ended IS NULL)
        AS elsewhere,
    EXISTS (
        SELECT 1 FROM trace_fitting
        WHERE unit_id = ANY(%(units)s) AND holds IN ('child', 'unknown') AND until IS NULL AND superseded IS NULL
    ) AS children,
    EXISTS (
        SELECT 1 FROM trace_bomline line JOIN trace_part child ON child.id = line.child_id
        WHERE line.parent_id = ANY(%(parts)s) AND child.serialised
    ) AS places_of_children,
    EXISTS (
        SELECT 1 FROM lots
        WHERE status <> 'released' OR status_since > %(scan)s OR expiry < %(day)s AND id IN (
            SELECT lot_id FROM loaded WHERE id IN (
                SELECT container_id FROM giving WHERE feed_id IN (SELECT id FROM bank WHERE kind <> 'bath')
            )
        )
    )
    OR EXISTS (
        SELECT 1 FROM loaded JOIN trace_part part ON part.id = loaded.part_id
        WHERE loaded.exposed + part.floor_life * 3600000000 < %(scan)s
    )
    OR EXISTS (
        SELECT 1 FROM bank
        WHERE kind <> 'head' AND id NOT IN (SELECT feed_id FROM giving WHERE container_id IS NOT NULL)
    )
    OR EXISTS (
        SELECT 1 FROM trace_hold
        WHERE released IS NULL AND target_kind IN ('unit', 'station', 'setup', 'tape') AND target_key = ANY(%(keys)s)
    )
    -- Counted for each name: joined, a database without statistics of many new holds would read them all.
    OR EXISTS (
        SELECT 1 FROM (
            SELECT 'setup' AS kind, key FROM in_force UNION ALL SELECT 'feed', key FROM bank
            UNION ALL SELECT 'container', key FROM loaded UNION ALL SELECT 'lot', key FROM lots
        ) AS given
        WHERE 0 < (
            SELECT count(*) FROM trace_hold
            WHERE released IS NULL AND target_kind = given.kind AND target_key = given.key)
    ) AS stops,
    EXISTS (
        SELECT 1 FROM trace_fault fault
        WHERE fault.unit_id = ANY(%(units)s) AND fault.superseded IS NULL AND NOT EXISTS (
            SELECT 1 FROM trace_repair_faults answered JOIN trace_repair repair ON repair.id = answered.repair_id
            WHERE answered.fault_id = fault.id AND repair.superseded IS NULL
            AND (repair.at <= %(scan)s OR fault.found > %(scan)s))
    ) AS faults
