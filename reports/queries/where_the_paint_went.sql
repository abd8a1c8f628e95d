-- Of every 100 g of solids poured, how many went where, shop by shop?
SELECT
    shop,
    round(sum(poured_solids_g) / 1000, 1) AS poured_kg,
    round(100 * sum(useful_solids_g) / sum(poured_solids_g), 1) AS useful,
    round(100 * sum(over_build_solids_g) / sum(poured_solids_g), 1) AS over_build,
    round(100 * sum(overspray_solids_g) / sum(poured_solids_g), 1) AS overspray,
    round(100 * sum(flush_loss_solids_g) / sum(poured_solids_g), 1) AS flush_loss,
    round(100 * sum(leftover_solids_g) / sum(poured_solids_g), 1) AS leftover,
    round(100 * sum(not_split_solids_g) / sum(poured_solids_g), 1) AS not_split
FROM v_operations
GROUP BY shop
HAVING sum(poured_solids_g) > 0
ORDER BY shop
