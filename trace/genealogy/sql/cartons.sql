-- These cartons, and the shipment in which each had left at a moment, with its customer.
WITH asked(id) AS (SELECT {each cartons})
SELECT carton.id, carton.key, s.key, customer.key, customer.name, s.departed
FROM asked
CROSS JOIN trace_carton carton
LEFT JOIN trace_consignment c
       ON c.carton_id = carton.id AND c.since <= %(at)s AND (c.until IS NULL OR c.until > %(at)s)
LEFT JOIN trace_shipment s ON s.id = c.shipment_id AND s.departed <= %(at)s
LEFT JOIN trace_customer customer ON customer.id = s.customer_id
WHERE carton.id = asked.id
