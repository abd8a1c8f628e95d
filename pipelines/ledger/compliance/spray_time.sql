-- How long each technician sprayed products that hold isocyanates, month by month: from the start to the end of the operations, as far
-- as both are on record. Which products: those of whose cups a component names an isocyanate among its substances, from the mass
-- fraction that the training rule counts on (0.1 %, Regulation (EU) 2020/1149), or is a hardener of unknown composition, which is
-- taken to hold some. Time is not exposure: that is for measurements and licensed practice.
WITH least_part AS (
    SELECT min(value) AS fraction FROM rule_figures WHERE rule = 'diisocyanates' AND figure = 'mass_fraction_min'
),
bearing AS (
    SELECT s.component_id, 'an isocyanate is among its substances' AS why
    FROM component_species AS s
    CROSS JOIN least_part AS l
    LEFT JOIN (SELECT DISTINCT cas, lower(substance) AS substance FROM hap) AS h ON h.cas = s.cas
    WHERE (lower(coalesce(s.substance, '')) LIKE '%isocyanate%' OR h.substance LIKE '%isocyanate%')
        AND coalesce(s.mass_fraction_high, s.mass_fraction, 1.0) >= l.fraction
    UNION
    SELECT DISTINCT c.component_id, 'a hardener of unknown composition is taken to hold isocyanates' AS why
    FROM components AS c
    INNER JOIN component_facts AS f ON f.component_id = c.component_id AND NOT f.composition_known
    WHERE c.kind = 'hardener'
),
cups AS (
    SELECT p.shop_id, p.mix_id, min(b.why) AS why
    FROM cup_contents AS p
    INNER JOIN bearing AS b ON b.component_id = p.component_id
    GROUP BY p.shop_id, p.mix_id
),
sprayed_with AS (
    SELECT f.shop_id, f.job_id, f.operation_no, min(c.why) AS why
    FROM cup_feeds AS f
    INNER JOIN cups AS c ON c.shop_id = f.shop_id AND c.mix_id = f.mix_id
    GROUP BY f.shop_id, f.job_id, f.operation_no
)
SELECT
    o.shop_id,
    o.technician_id,
    strftime(o.started_at, '%Y-%m') AS month,
    o.product_id,
    count(*) AS n_operations,
    count(o.ended_at) AS n_timed,
    sum(epoch(o.ended_at) - epoch(o.started_at)) / 60.0 AS minutes,
    min(w.why) AS why
FROM sprayed_with AS w
INNER JOIN operations AS o ON o.shop_id = w.shop_id AND o.job_id = w.job_id AND o.operation_no = w.operation_no
WHERE o.technician_id IS NOT NULL
GROUP BY o.shop_id, o.technician_id, strftime(o.started_at, '%Y-%m'), o.product_id
ORDER BY o.shop_id, o.technician_id, month, o.product_id
