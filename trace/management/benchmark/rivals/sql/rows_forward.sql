-- One row per placed part: the units that carry suspect containers, how surely, in what, and who has it.
WITH RECURSIVE place AS (
    SELECT p.unit, p.designator, p.until IS NULL AS standing, count(*) = max(p.candidates) AS wholly
    FROM placed p
    WHERE p.container IN ({suspects})
    GROUP BY p.unit, p.designator, p.until IS NULL
),
carrier(unit, sureness) AS (
    SELECT unit, min(CASE WHEN standing AND wholly THEN 0 WHEN standing THEN 1 ELSE 2 END) FROM place GROUP BY unit
    UNION ALL
    SELECT f.unit_id, c.sureness
    FROM carrier c JOIN trace_fitting f ON f.child_id = c.unit
    WHERE c.sureness < 2 AND f.until IS NULL AND f.superseded IS NULL
),
climb(unit, sureness, top) AS (
    SELECT unit, min(sureness), unit FROM carrier GROUP BY unit
    UNION ALL
    SELECT c.unit, c.sureness, f.unit_id
    FROM climb c JOIN trace_fitting f ON f.child_id = c.top
    WHERE f.until IS NULL AND f.superseded IS NULL
)
SELECT u.key, c.sureness, t.key, customer.key
FROM climb c
JOIN trace_unit u ON u.id = c.unit
JOIN trace_unit t ON t.id = c.top
LEFT JOIN trace_packing pack ON pack.unit_id = t.id AND pack.until IS NULL
LEFT JOIN trace_consignment n ON n.carton_id = pack.carton_id AND n.until IS NULL
LEFT JOIN trace_shipment s ON s.id = n.shipment_id AND s.departed IS NOT NULL
LEFT JOIN trace_customer customer ON customer.id = s.customer_id
WHERE NOT EXISTS (SELECT 1 FROM trace_fitting home
                  WHERE home.child_id = c.top AND home.until IS NULL AND home.superseded IS NULL)
