-- Properties of each version of a component, with what follows from them and nothing more:
-- where the mass fractions given sum to 1 (within 0.01) those left empty are 0; without solids there is no solids volume;
-- the density of exempt compounds is the component's own, else that of its exempt species (by mass over volume).
-- composition_known: its substances are listed, or it is said that none must be.
-- from_on is included, until_on is not.
WITH versions AS (
    SELECT
        *,
        coalesce(solids_mass_fraction, 0) + coalesce(voc_mass_fraction, 0) + coalesce(water_mass_fraction, 0)
        + coalesce(exempt_mass_fraction, 0) AS fractions_sum
    FROM component_versions
),
exempt_densities AS (
    SELECT cas, min(density_g_per_ml) AS density_g_per_ml
    FROM exempt_compounds
    GROUP BY cas
),
species AS (
    SELECT
        s.component_id,
        count(*) AS n,
        count(e.density_g_per_ml) AS n_density,
        sum(coalesce(s.mass_fraction, s.mass_fraction_high)) AS g,
        sum(coalesce(s.mass_fraction, s.mass_fraction_high) / e.density_g_per_ml) AS ml,
        count(coalesce(s.mass_fraction, s.mass_fraction_high)) AS n_fraction,
        min(e.density_g_per_ml) AS lightest,
        max(e.density_g_per_ml) AS heaviest
    FROM component_species AS s
    INNER JOIN exempt_densities AS e ON e.cas = s.cas
    GROUP BY s.component_id
),
filled AS (
    SELECT
        v.component_id,
        v.from_on,
        v.until_on,
        v.density_g_per_ml,
        CASE WHEN abs(v.fractions_sum - 1) <= 0.01 + 1e-12 THEN coalesce(v.solids_mass_fraction, 0) ELSE v.solids_mass_fraction END
            AS solids_mass_fraction,
        v.solids_volume_fraction AS stated_volume_fraction,
        CASE WHEN abs(v.fractions_sum - 1) <= 0.01 + 1e-12 THEN coalesce(v.voc_mass_fraction, 0) ELSE v.voc_mass_fraction END
            AS voc_mass_fraction,
        CASE WHEN abs(v.fractions_sum - 1) <= 0.01 + 1e-12 THEN coalesce(v.water_mass_fraction, 0) ELSE v.water_mass_fraction END
            AS water_mass_fraction,
        CASE WHEN abs(v.fractions_sum - 1) <= 0.01 + 1e-12 THEN coalesce(v.exempt_mass_fraction, 0) ELSE v.exempt_mass_fraction END
            AS exempt_mass_fraction,
        coalesce(
            v.exempt_density_g_per_ml,
            CASE
                WHEN s.n_density < s.n THEN NULL
                WHEN s.lightest = s.heaviest THEN s.lightest
                WHEN s.n_fraction = s.n AND s.ml > 0 THEN s.g / s.ml
            END
        ) AS exempt_density_g_per_ml,
        v.voc_eu_mass_fraction,
        v.price_per_kg,
        coalesce(v.composition_complete, l.component_id IS NOT NULL) AS composition_known
    FROM versions AS v
    LEFT JOIN species AS s ON s.component_id = v.component_id
    LEFT JOIN (SELECT DISTINCT component_id FROM component_species) AS l ON l.component_id = v.component_id
)
SELECT *, CASE WHEN solids_mass_fraction = 0 THEN 0.0 ELSE stated_volume_fraction END AS solids_volume_fraction
FROM filled
ORDER BY component_id, from_on
