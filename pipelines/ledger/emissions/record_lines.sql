-- Each cleaning, use without a scale and line of stock with the file and the line that intake read it from.
SELECT 'cleaning' AS source, shop_id, cleaning_no AS number, 1 AS document_line, CAST(used_at AS DATE) AS on_date, file, line AS file_line
FROM cleaning
UNION ALL
SELECT 'unscaled_use' AS source, shop_id, use_no AS number, 1 AS document_line, CAST(used_at AS DATE) AS on_date, file, line AS file_line
FROM unscaled_use
UNION ALL
SELECT 'stock' AS source, shop_id, document_no AS number, line_no AS document_line, happened_on AS on_date, file, line AS file_line
FROM stock
ORDER BY source, shop_id, number, document_line
