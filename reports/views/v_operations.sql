-- Where the material of each operation went, with shop, product, gun and technician in words; one row a cup and operation.
SELECT
    l.shop_id, coalesce(s.label, l.shop_id) AS shop, l.month, l.job_id, l.operation_no, l.mix_id,
    l.product_id, coalesce(p.label, l.product_id) AS product, l.role,
    l.gun_id, g.atomising, g.tip_mm, l.technician_id, coalesce(t.label, l.technician_id) AS technician, l.rework,
    l.poured_solids_g, l.useful_solids_g, l.over_build_solids_g, l.overspray_solids_g, l.flush_loss_solids_g,
    l.leftover_solids_g, l.not_split_solids_g, l.poured_cost, l.poured_voc_g, l.te, l.te_low, l.te_high, l.grade, l.why_not_split
FROM material_ledger AS l
LEFT JOIN shops AS s ON s.shop_id = l.shop_id
LEFT JOIN v_products AS p ON p.product_id = l.product_id
LEFT JOIN v_gun_register AS g ON g.gun_id = l.gun_id
LEFT JOIN technicians AS t ON t.technician_id = l.technician_id
