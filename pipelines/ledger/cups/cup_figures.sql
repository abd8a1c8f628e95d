-- What each component brings into its cup: volume mL, solids g and mL, VOC, water and exempt compounds g and mL, VOC by the
-- EU's definition g, cost. mixes and emission_parts are its sums.
--   ml = m/rho     solids_g = m s     solids_ml = ml q     voc_g = m v     water_ml = m w / water density
--   exempt_ml = m x / rho_x           voc_eu_g = m e, e = voc_eu_mass_fraction, else v + x
-- Where any component of a cup (of a leftover poured in too) lacks a property, the whole cup takes the product's ready-to-spray
-- figure of it, so that the sheet's own recipe gives the sheet's own figure: M S, V Q (also where a density lacks), V times VOC
-- and never below the known components' VOC, M w, M x; the EU's is then VOC + exempt, never below what is known of it. A sheet has
-- no density of exempt compounds: where it tells them and they are not 0 their volume is not known. A figure that neither
-- gives is null. A component's part of a sheet's figure is its part of the mass, of VOC and solids volume that of the volume.
-- *_from_sheet: the figure is the sheet's. lacks: what this component does not tell. eu_substituted: voc + exempt stood in for an EU fraction that nobody gave.
WITH cups AS (
    SELECT
        shop_id,
        mix_id,
        CASE WHEN count(DISTINCT product_id) = 1 THEN min(product_id) END AS product_id,
        CAST(min(poured_at) AS DATE) AS product_on
    FROM pours
    GROUP BY shop_id, mix_id
),
held AS (
    SELECT
        c.shop_id,
        c.mix_id,
        c.component_id,
        c.on_date,
        c.by_volume,
        c.mass_g AS m,
        c.own_g,
        f.density_g_per_ml AS rho,
        f.solids_mass_fraction AS s,
        CASE
            WHEN f.solids_mass_fraction = 0 THEN 0.0
            WHEN f.density_g_per_ml IS NOT NULL THEN f.solids_volume_fraction
        END AS q,
        f.solids_volume_fraction IS NULL AS q_untold,
        f.voc_mass_fraction AS v,
        f.water_mass_fraction AS w,
        f.exempt_mass_fraction AS x,
        f.exempt_density_g_per_ml AS rho_x,
        coalesce(f.voc_eu_mass_fraction, f.voc_mass_fraction + f.exempt_mass_fraction) AS e,
        f.voc_eu_mass_fraction IS NULL AND coalesce(f.voc_mass_fraction + f.exempt_mass_fraction > 0, TRUE) AS e_substituted,
        f.price_per_kg / 1000 AS price,
        p.rts_density_g_per_ml,
        p.rts_solids_mass_fraction,
        p.rts_solids_volume_fraction,
        p.rts_voc_g_per_l / 1000 AS rts_voc_g_per_ml,
        p.rts_water_mass_fraction,
        p.rts_exempt_mass_fraction
    FROM cup_contents AS c
    INNER JOIN cups AS u ON u.shop_id = c.shop_id AND u.mix_id = c.mix_id
    LEFT JOIN component_facts AS f
        ON f.component_id = c.component_id AND c.on_date >= f.from_on AND c.on_date < f.until_on
    LEFT JOIN product_versions AS p
        ON p.product_id = u.product_id AND u.product_on >= p.from_on AND u.product_on < p.until_on
    WHERE c.mass_g <> 0
),
wholes AS (
    SELECT
        shop_id,
        mix_id,
        bool_or(rho IS NULL) AS lacks_rho,
        bool_or(s IS NULL) AS lacks_s,
        bool_or(q IS NULL) AS lacks_q,
        bool_or(v IS NULL) AS lacks_v,
        bool_or(w IS NULL) AS lacks_w,
        bool_or(x IS NULL) AS lacks_x,
        bool_or(e IS NULL) AS no_e,
        sum(m) AS cup_g,
        sum(m / rho) AS known_ml,
        sum(m * v) AS known_voc_g,
        sum(m * e) AS known_eu_g
    FROM held
    GROUP BY shop_id, mix_id
),
lacking AS (
    SELECT
        h.*,
        nullif(
            concat_ws(
                ', ',
                CASE WHEN h.rho IS NULL THEN 'density' END,
                CASE WHEN h.s IS NULL THEN 'solids by mass' END,
                CASE WHEN h.q_untold THEN 'solids by volume' END,
                CASE WHEN h.v IS NULL THEN 'VOC' END,
                CASE WHEN h.w IS NULL THEN 'water' END,
                CASE WHEN h.x IS NULL THEN 'exempt compounds' END
            ),
            ''
        ) AS lacks,
        h.rts_density_g_per_ml IS NOT NULL AND c.lacks_rho AS no_rho,
        h.rts_solids_mass_fraction IS NOT NULL AND c.lacks_s AS no_s,
        h.rts_solids_volume_fraction IS NOT NULL AND c.lacks_q AS no_q,
        h.rts_voc_g_per_ml IS NOT NULL AND c.lacks_v AS no_v,
        h.rts_water_mass_fraction IS NOT NULL AND c.lacks_w AS no_w,
        h.rts_exempt_mass_fraction IS NOT NULL AND c.lacks_x AS no_x,
        c.no_e,
        c.cup_g,
        c.known_ml,
        c.known_voc_g,
        c.known_eu_g
    FROM held AS h
    INNER JOIN wholes AS c ON c.shop_id = h.shop_id AND c.mix_id = h.mix_id
),
volumes AS (
    SELECT
        *,
        m / CASE WHEN no_rho THEN rts_density_g_per_ml ELSE rho END AS ml,
        CASE WHEN no_rho THEN cup_g / rts_density_g_per_ml ELSE known_ml END AS cup_ml
    FROM lacking
),
amounts AS (
    SELECT
        *,
        m * CASE WHEN no_s THEN rts_solids_mass_fraction ELSE s END AS solids_g,
        ml * CASE WHEN no_q THEN rts_solids_volume_fraction ELSE q END AS solids_ml,
        CASE
            WHEN NOT no_v THEN m * v
            WHEN known_voc_g > rts_voc_g_per_ml * cup_ml THEN known_voc_g * ml / cup_ml
            ELSE ml * rts_voc_g_per_ml
        END AS voc_g,
        m * CASE WHEN no_w THEN rts_water_mass_fraction ELSE w END AS water_g,
        m * CASE WHEN no_x THEN rts_exempt_mass_fraction ELSE x END AS exempt_g
    FROM volumes
),
eu_by_sheet AS (
    SELECT shop_id, mix_id, sum(voc_g + exempt_g) AS cup_eu_g
    FROM amounts
    WHERE no_e
    GROUP BY shop_id, mix_id
    HAVING count(voc_g + exempt_g) = count(*)
)
SELECT
    a.*,
    m AS mass_g,
    m / ml AS density_g_per_ml,
    own_g * ml / m AS own_ml,
    water_g / $water_density_g_per_ml AS water_ml,
    CASE WHEN exempt_g = 0 THEN 0.0 WHEN NOT no_x THEN exempt_g / rho_x END AS exempt_ml,
    CASE
        WHEN u.mix_id IS NULL THEN m * e
        WHEN known_eu_g > u.cup_eu_g THEN known_eu_g * ml / cup_ml
        ELSE voc_g + exempt_g
    END AS voc_eu_g,
    m * price AS cost,
    no_rho AS density_from_sheet,
    no_s AS solids_mass_from_sheet,
    no_q AS solids_volume_from_sheet,
    no_v AS voc_from_sheet,
    no_w AS water_from_sheet,
    no_x AS exempt_from_sheet,
    no_e OR e_substituted AS eu_substituted
FROM amounts AS a
LEFT JOIN eu_by_sheet AS u ON u.shop_id = a.shop_id AND u.mix_id = a.mix_id
ORDER BY a.shop_id, a.mix_id, component_id, on_date, by_volume
