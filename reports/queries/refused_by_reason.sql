-- Why were rows refused, and where did it happen first?
SELECT
    "table", reason, count(*) AS n_rows, min(file) AS first_file, arg_min(line, file || lpad(CAST(line AS VARCHAR), 12, '0')) AS first_line
FROM (SELECT file, line, "table", unnest(reasons) AS reason FROM refused_rows) AS r
GROUP BY "table", reason
ORDER BY n_rows DESC, "table", reason
