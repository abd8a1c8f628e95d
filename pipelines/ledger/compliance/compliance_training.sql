-- training_days on the last day of each shop's records: who must be trained, who is, and until when.
SELECT t.*
FROM training_days AS t
INNER JOIN emission_places AS p
    ON p.shop_id = t.shop_id AND coalesce(p.last_on, DATE '9999-12-31') = coalesce(t.as_of, DATE '9999-12-31')
ORDER BY t.shop_id, t.technician_id, t.rule
