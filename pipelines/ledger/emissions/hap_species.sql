-- Hazardous air pollutants in one g of each component, by CAS number and span of days on which the number is listed (a
-- delisted substance never counts after its day). fraction is the upper end where the register gives a range, low and high
-- its ends. fraction_63_3941: 40 CFR 63.3941(a)(1): counted from 0.1 % by mass (OSHA-defined carcinogens) or 1.0 %, cut off
-- (not rounded) to 4 decimals; organic ones only. A class (glycol ethers) is tested as a class: its members' fractions are added
-- before the threshold, the class's sum is cut off, and members share it pro rata. Species that are themselves listed stand as they are; others that name a
-- default blend bring its pollutants (grade C). Target metals come from hap and target_metal_compounds.
WITH listed AS (
    SELECT cas, valid_from, valid_to, substance, carcinogen, metal, CASE WHEN "group" = 'glycol ethers' THEN "group" END AS class FROM hap
    UNION ALL
    SELECT DISTINCT
        t.cas,
        CAST(NULL AS DATE) AS valid_from,
        CAST(NULL AS DATE) AS valid_to,
        t.substance,
        FALSE AS carcinogen,
        TRUE AS metal,
        CAST(NULL AS VARCHAR) AS class
    FROM (SELECT cas, min(substance) AS substance FROM target_metal_compounds GROUP BY cas) AS t
    LEFT JOIN (SELECT DISTINCT cas FROM hap) AS h ON h.cas = t.cas
    WHERE h.cas IS NULL
),
given AS (
    SELECT
        s.component_id,
        s.cas AS named_cas,
        coalesce(s.mass_fraction_high, s.mass_fraction) AS high,
        coalesce(s.mass_fraction_low, s.mass_fraction, CASE WHEN s.mass_fraction_high IS NOT NULL THEN 0.0 END) AS low
    FROM component_species AS s
),
direct AS (
    SELECT g.component_id, g.named_cas AS cas, g.high, g.low, FALSE AS from_blend
    FROM given AS g
    INNER JOIN (SELECT DISTINCT cas FROM listed) AS l ON l.cas = g.named_cas
),
blended AS (
    SELECT g.component_id, b.hap_cas AS cas, g.high * b.hap_mass_fraction AS high, g.low * b.hap_mass_fraction AS low, TRUE AS from_blend
    FROM given AS g
    INNER JOIN hap_blend_matches AS m ON m.component_id = g.component_id AND m.cas = g.named_cas
    INNER JOIN hap_blends AS b ON b.table_no = m.table_no AND b.entry_no = m.entry_no AND b.hap_mass_fraction > 0
    LEFT JOIN (SELECT DISTINCT cas FROM listed) AS l ON l.cas = g.named_cas
    WHERE l.cas IS NULL
),
united AS (
    SELECT * FROM direct
    UNION ALL
    SELECT * FROM blended
),
summed AS (
    SELECT
        component_id,
        cas,
        CASE WHEN count(high) = count(*) THEN sum(high) END AS high,
        CASE WHEN count(low) = count(*) THEN sum(low) END AS low,
        bool_or(from_blend) AS from_blend
    FROM united
    GROUP BY component_id, cas
),
dated AS (
    SELECT
        s.*,
        coalesce(l.valid_from, DATE '0001-01-01') AS from_on,
        coalesce(l.valid_to, DATE '9999-12-31') AS until_on,
        l.substance,
        l.metal,
        l.carcinogen,
        l.class,
        -- the members of a class that are listed over the same days, together
        CASE
            WHEN l.class IS NOT NULL THEN sum(s.high) OVER (PARTITION BY s.component_id, l.class, l.valid_from, l.valid_to)
            ELSE s.high
        END AS tested
    FROM summed AS s
    INNER JOIN listed AS l ON l.cas = s.cas
)
SELECT
    component_id,
    cas,
    from_on,
    until_on,
    substance,
    metal,
    carcinogen,
    high AS fraction,
    low AS fraction_low,
    high AS fraction_high,
    CASE
        WHEN metal OR high IS NULL THEN NULL
        WHEN tested >= CASE WHEN carcinogen THEN 0.001 ELSE 0.01 END - 1e-12
            THEN floor(tested * 10000 + 1e-7) / 10000 * CASE WHEN class IS NULL THEN 1.0 ELSE high / tested END
        ELSE 0.0
    END AS fraction_63_3941,
    from_blend
FROM dated
ORDER BY component_id, cas, from_on
