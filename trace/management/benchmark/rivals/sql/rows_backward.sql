-- One row per placed part: what is in a unit and in everything fitted in it.
WITH RECURSIVE inside(id) AS (
    SELECT id FROM trace_unit WHERE key = '{unit}'
    UNION ALL
    SELECT f.child_id
    FROM inside i JOIN trace_fitting f ON f.unit_id = i.id
    WHERE f.child_id IS NOT NULL AND f.until IS NULL AND f.superseded IS NULL
)
SELECT u.key, c.key, p.designator, l.number, l.date_code, supplier.name, v.began, v.ended, station.key, who.name
FROM inside i
JOIN trace_unit u ON u.id = i.id
JOIN placed p ON p.unit = i.id AND p.until IS NULL
LEFT JOIN trace_container c ON c.id = p.container
LEFT JOIN trace_lot l ON l.id = c.lot_id
LEFT JOIN trace_supplier supplier ON supplier.id = l.supplier_id
LEFT JOIN trace_pass v ON v.id = p.pass
LEFT JOIN trace_station station ON station.id = v.station_id
LEFT JOIN trace_person who ON who.id = v.by_id
