-- What draws from feeds of one axis: in no order, what they serve in every set-up of the assemblies of which one of
-- them serves something in some set-up (a row per designator, or one row where that is nothing); the passes of those
-- assemblies that reach a position or later, by index: those that began before it length class by length class; and
-- what was taken out of the feeds for repairs.
WITH class(c) AS (SELECT {each classes}),
assembly AS MATERIALIZED (
    SELECT DISTINCT setup.assembly_id AS id
    FROM trace_setupline line JOIN trace_setup setup ON setup.id = line.setup_id
    WHERE line.feed_id = ANY(%(feeds)s)
),
meeting AS (
    SELECT p.id FROM trace_pass p
    WHERE p.axis_id = %(axis)s AND p.first >= {since}
    UNION ALL
    SELECT p.id
    FROM class JOIN trace_pass p ON p.axis_id = %(axis)s AND p.length_class = class.c AND p.first < {since}
                                AND p.first > {since} - (CAST(1 AS bigint) << CAST(class.c AS int))
    WHERE p.last >= {since}
)
SELECT (
    SELECT jsonb_agg(jsonb_build_array(setup.first, setup."end", setup.assembly_id, line.feed_id, line.designator))
    FROM trace_setup setup
    LEFT JOIN trace_setupline line ON line.setup_id = setup.id AND line.feed_id = ANY(%(feeds)s)
    WHERE setup.axis_id = %(axis)s AND setup."end" > setup.first AND setup.assembly_id IN (SELECT id FROM assembly)
) AS serving, (
    SELECT jsonb_agg(jsonb_build_array(p.first, p.last, p.assembly_id, p.drew = 'all', to_jsonb(p.only)))
    FROM meeting JOIN trace_pass p ON p.id = meeting.id
    WHERE p.superseded IS NULL AND p.drew <> 'none' AND p.assembly_id IN (SELECT id FROM assembly)
) AS passes, (
    SELECT jsonb_agg(jsonb_build_array(feed_id, first, last)) FROM trace_fitting
    WHERE feed_id = ANY(%(feeds)s) AND last >= {since} AND superseded IS NULL
) AS repairs
