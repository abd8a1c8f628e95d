-- What goes into a shop's drum, g: where discarded coating and recovered solvent wait to be shipped.
--   discarded   leftovers thrown away at a weigh-back, on that day (with their VOC, by the cup's composition)
--   flush       what stayed in cups and guns and left with the cleaning solvent, on the day of the operation (likewise)
--   recovered   solvent that came back from cleaning, less the flush in it, which stands above
-- What was never weighed back is taken as emitted and not in the drum.
WITH coatings AS (
    SELECT shop_id, mix_id, 'discarded' AS kind, CAST(weighed_at AS DATE) AS on_date, leftover_g AS mass_g
    FROM cup_intervals
    WHERE interval_no = n_weighings AND coalesce(fate, 'discarded') <> 'kept' AND leftover_g > 0
    UNION ALL
    SELECT shop_id, mix_id, 'discarded' AS kind, CAST(begins_at AS DATE) AS on_date, gone_g AS mass_g
    FROM cup_intervals
    WHERE fate_before = 'discarded' AND gone_g > 0
    UNION ALL
    SELECT s.shop_id, s.mix_id, 'flush' AS kind, CAST(o.started_at AS DATE) AS on_date, s.flush_g AS mass_g
    FROM sprayed AS s
    INNER JOIN operations AS o
        ON o.shop_id = s.shop_id AND o.job_id = s.job_id AND o.operation_no = s.operation_no
    WHERE s.flush_g > 0
)
SELECT
    c.shop_id,
    c.kind,
    c.on_date,
    c.mix_id,
    CAST(NULL AS VARCHAR) AS number,
    strftime(c.on_date, '%Y-%m') AS month,
    'coating' AS stream,
    sum(c.mass_g) AS mass_g,
    sum(c.mass_g * u.voc_mass_fraction) AS voc_g
FROM coatings AS c
INNER JOIN emission_cups AS u ON u.shop_id = c.shop_id AND u.mix_id = c.mix_id
GROUP BY c.shop_id, c.kind, c.on_date, c.mix_id
UNION ALL
SELECT
    shop_id,
    'recovered' AS kind,
    on_date,
    NULL AS mix_id,
    cleaning_no AS number,
    month,
    'solvent' AS stream,
    recovered_g * (1 - solvent_flush_g / solvent_recovered_g) AS mass_g,
    NULL AS voc_g
FROM emission_cleaning
WHERE recovered_g > 0 AND solvent_recovered_g > solvent_flush_g
ORDER BY shop_id, kind, on_date, mix_id, number
