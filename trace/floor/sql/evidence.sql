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
asked AS MATERIALIZED (
    SELECT setup.id AS setup, step.verification, step.first_piece
    FROM (
        SELECT id, assembly_id FROM in_force UNION ALL SELECT id, assembly_id FROM trace_setup WHERE id = ANY(%(named)s)
    ) AS setup
    JOIN trace_step step ON step.part_id = setup.assembly_id AND (step.verification <> '' OR step.first_piece)
    JOIN trace_step_stations at ON at.step_id = step.id AND at.station_id = %(station)s
),
line AS MATERIALIZED (
    SELECT feed_id, designator FROM trace_setupline
    WHERE setup_id IN (SELECT id FROM in_force) OR setup_id = ANY(%(named)s)
),
serving AS MATERIALIZED (
    SELECT id, key, kind FROM trace_feed WHERE id IN (SELECT feed_id FROM line)
),
giving AS MATERIALIZED (
    SELECT serving.id AS feed, serving.kind, span.container_id
    FROM serving JOIN trace_span span ON span.feed_id = serving.id AND span.superseded IS NULL
                                     AND span."end" > %(first)s AND span.first <= %(last)s
                                     AND span.first >= (
                                        SELECT begun.oldest FROM trace_span begun
                                        WHERE begun.feed_id = serving.id AND begun.superseded IS NULL
                                          AND begun.first <= %(first)s
                                        ORDER BY begun.first DESC LIMIT 1)
),
loaded AS MATERIALIZED (
    SELECT container.key, container.lot_id, container.part_id, container.exposed, giving.kind
    FROM giving JOIN trace_container container ON container.id = giving.container_id
    WHERE container.id = ANY(ARRAY(SELECT container_id FROM giving))
),
lots AS MATERIALIZED (
    SELECT lot.key, lot.expiry, lot.status, lot.status_since, loaded.kind FROM loaded JOIN trace_lot lot ON lot.id = loaded.lot_id
    WHERE lot.id = ANY(ARRAY(SELECT lot_id FROM loaded))
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
    (SELECT jsonb_agg(jsonb_build_array(setup, feed, key, seen, seen_by_another)) FROM ({seen}) AS seen) AS seen,
    (
        SELECT jsonb_agg(jsonb_build_array(id, setup_id, step_id, happened, approved)) FROM ({decided}) AS decided
    ) AS decided,
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
    EXISTS (SELECT 1 FROM lots WHERE expiry < %(day)s AND kind <> 'bath' OR status <> 'released' OR status_since > %(scan)s)
    OR EXISTS (
        SELECT 1 FROM loaded JOIN trace_part part ON part.id = loaded.part_id
        WHERE loaded.exposed + part.floor_life * 3600000000 < %(scan)s
    )
    OR EXISTS (SELECT 1 FROM giving WHERE kind <> 'head' GROUP BY feed HAVING count(container_id) = 0)
    OR EXISTS (
        SELECT 1 FROM trace_hold
        WHERE released IS NULL AND target_kind IN ('unit', 'station', 'setup', 'tape') AND target_key = ANY(%(keys)s)
    )
    -- Counted for each name: joined, a database without statistics of many new holds would read them all.
    OR EXISTS (
        SELECT 1 FROM in_force WHERE 0 < (
            SELECT count(*) FROM trace_hold
            WHERE released IS NULL AND target_kind = 'setup' AND target_key = in_force.key)
    )
    OR EXISTS (
        SELECT 1 FROM (
            SELECT key FROM serving UNION ALL SELECT key FROM loaded UNION ALL SELECT key FROM lots
        ) AS given
        WHERE 0 < (
            SELECT count(*) FROM trace_hold
            WHERE released IS NULL AND target_kind IN ('feed', 'container', 'lot') AND target_key = given.key)
    ) AS stops,
    EXISTS (
        SELECT 1 FROM trace_fault fault
        WHERE fault.unit_id = ANY(%(units)s) AND fault.superseded IS NULL AND NOT EXISTS (
            SELECT 1 FROM trace_repair_faults answered JOIN trace_repair repair ON repair.id = answered.repair_id
            WHERE answered.fault_id = fault.id AND repair.superseded IS NULL
            AND (repair.at <= %(scan)s OR fault.found > %(scan)s))
    ) AS faults
