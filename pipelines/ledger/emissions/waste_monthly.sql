-- Waste of a shop's month, kg: generated (into the drum), shipped, on hand at its end; and the category of generator that the
-- place knows by the month's amount (rule_figures, waste_generator): at most small_above: very small; from large_from on: large.
-- A local place without figures has those of the place above it; none: no category. All waste of the drum is taken as hazardous.
WITH figures AS (
    SELECT
        p.shop_id,
        f.figure,
        f.value * u.factor AS kg,
        f.source,
        row_number() OVER (PARTITION BY p.shop_id, f.figure ORDER BY f.jurisdiction DESC) AS choice
    FROM emission_places AS p
    INNER JOIN rule_figures AS f
        ON f.rule = 'waste_generator' AND strpos(concat(p.jurisdiction, '-'), concat(f.jurisdiction, '-')) = 1
    INNER JOIN unit_factors AS u ON u.unit = f.unit AND u.quantity = 'mass'
),
lines AS (
    SELECT
        shop_id,
        max(CASE WHEN figure = 'small_above' THEN kg END) AS small_above,
        max(CASE WHEN figure = 'large_from' THEN kg END) AS large_from,
        max(CASE WHEN figure = 'very_small_on_hand_max' THEN kg END) AS very_small_max,
        max(CASE WHEN figure = 'small_on_hand_max' THEN kg END) AS small_max,
        min(source) AS source
    FROM figures
    WHERE choice = 1
    GROUP BY shop_id
),
amounts AS (
    SELECT
        shop_id,
        month,
        sum(generated_kg) AS generated_kg,
        sum(shipped_kg) AS shipped_kg,
        sum(unexplained_kg) AS unexplained_kg,
        sum(closing_kg) AS on_hand_kg
    FROM waste_drum
    GROUP BY shop_id, month
),
judged AS (
    SELECT
        a.*,
        l.very_small_max,
        l.small_max,
        l.source,
        CASE
            WHEN a.generated_kg >= l.large_from THEN 'large'
            WHEN a.generated_kg > l.small_above THEN 'small'
            WHEN l.small_above IS NOT NULL THEN 'very small'
        END AS generator
    FROM amounts AS a
    LEFT JOIN lines AS l ON l.shop_id = a.shop_id
)
SELECT
    *,
    CASE generator
        WHEN 'very small' THEN on_hand_kg > very_small_max
        WHEN 'small' THEN on_hand_kg > small_max
    END AS too_much_on_hand
FROM judged
ORDER BY shop_id, month
