-- Which property which cups of a product lack, told once per product: how many of its cups, by which components, whether the
-- product's sheet stood in (grade B) or the cups' figure is missing, and what it would take to know it.
WITH properties AS (
    SELECT *
    FROM (
        VALUES
        ('density', 'density_g_per_ml', 'rts_density_g_per_ml'),
        ('solids by mass', 'solids_mass_fraction', 'rts_solids_mass_fraction'),
        ('solids by volume', 'solids_volume_fraction', 'rts_solids_volume_fraction'),
        ('VOC', 'voc_mass_fraction', 'rts_voc_g_per_l'),
        ('water', 'water_mass_fraction', 'rts_water_mass_fraction'),
        ('exempt compounds', 'exempt_mass_fraction', 'rts_exempt_mass_fraction')
    ) AS p (property, component_column, sheet_column)
),
products_poured AS (
    SELECT shop_id, product_id, count(*) AS n_cups
    FROM mixes
    WHERE product_id IS NOT NULL
    GROUP BY shop_id, product_id
),
found AS (
    SELECT
        m.shop_id,
        m.product_id,
        p.property,
        p.component_column,
        p.sheet_column,
        count(DISTINCT m.mix_id) AS n_lacking,
        CAST(min(m.first_poured_at) AS DATE) AS first_on,
        array_to_string(list_sort(list(DISTINCT f.component_id)), ', ') AS components,
        bool_and(
            CASE p.property
                WHEN 'density' THEN f.density_from_sheet
                WHEN 'solids by mass' THEN f.solids_mass_from_sheet
                WHEN 'solids by volume' THEN f.solids_volume_from_sheet
                WHEN 'VOC' THEN f.voc_from_sheet
                WHEN 'water' THEN f.water_from_sheet
                ELSE f.exempt_from_sheet
            END
        ) AS from_sheet
    FROM cup_figures AS f
    INNER JOIN mixes AS m ON m.shop_id = f.shop_id AND m.mix_id = f.mix_id
    INNER JOIN properties AS p ON strpos(f.lacks, p.property) > 0
    WHERE m.product_id IS NOT NULL
    GROUP BY m.shop_id, m.product_id, p.property, p.component_column, p.sheet_column
)
SELECT
    f.*,
    p.n_cups,
    concat(
        f.component_column, ' of ', f.components, ' in registers/components.csv',
        CASE WHEN f.from_sheet THEN '' ELSE concat(', or ', f.sheet_column, ' of ', f.product_id, ' in registers/products.csv') END
    ) AS would_take
FROM found AS f
INNER JOIN products_poured AS p ON p.shop_id = f.shop_id AND p.product_id = f.product_id
ORDER BY f.shop_id, f.product_id, f.property
