-- These cartons, and at a moment: the pallet that each was on, the shipment, its customer, and when that departed, if it
-- had.
WITH asked(id) AS (SELECT {each cartons})
SELECT carton.id, carton.key, pallet.key, s.key, customer.key, customer.name,
       CASE WHEN s.departed <= %(at)s THEN s.departed END
FROM asked
CROSS JOIN trace_carton carton
LEFT JOIN trace_stacking on_it
       ON on_it.carton_id = carton.id AND on_it.since <= %(at)s AND (on_it.until IS NULL OR on_it.until > %(at)s)
LEFT JOIN trace_pallet pallet ON pallet.id = on_it.pallet_id
LEFT JOIN trace_consignment c
       ON c.carton_id = carton.id AND c.since <= %(at)s AND (c.until IS NULL OR c.until > %(at)s)
LEFT JOIN trace_shipment s ON s.id = c.shipment_id
LEFT JOIN trace_customer customer ON customer.id = s.customer_id
WHERE carton.id = asked.id
