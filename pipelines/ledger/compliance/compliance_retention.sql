-- How long each kind of record must be kept: the longest of the rules of the shop's jurisdiction and of the one above it (us
-- above us-ca). keep_since: records from that day on must still be there on the last day of the shop's records.
WITH applying AS (
    SELECT p.shop_id, p.last_on, r.record, r.years, r.note, r.source, r.jurisdiction
    FROM emission_places AS p
    INNER JOIN retention AS r
        ON strpos(concat(p.jurisdiction, '-'), concat(r.jurisdiction, '-')) = 1
),
ranked AS (
    SELECT
        *,
        row_number() OVER (PARTITION BY shop_id, record ORDER BY years DESC, jurisdiction, source) AS choice,
        count(*) OVER (PARTITION BY shop_id, record) AS n_rules
    FROM applying
)
SELECT
    *,
    make_date(
        CAST(year(last_on) - years AS INTEGER),
        CAST(month(last_on) AS INTEGER),
        CAST(CASE WHEN month(last_on) = 2 THEN least(28, day(last_on)) ELSE day(last_on) END AS INTEGER)
    ) AS keep_since
FROM ranked
WHERE choice = 1
ORDER BY shop_id, record
