-- Booths and their filters where the shop rules of 40 CFR 63 subpart HHHHHH apply: what each version of a booth's row says it
-- holds back against the 98 % of 63.11173(e)(2), and whether a paper shows it. No figure or no paper: missing, never assumed.
WITH figures AS (
    SELECT p.shop_id, f.value AS needed, f.source
    FROM emission_places AS p
    INNER JOIN packs AS k ON k.jurisdiction = p.jurisdiction AND strpos(k.sections, 'shop_rules') > 0
    INNER JOIN rule_figures AS f
        ON f.rule = 'shop_rules' AND f.figure = 'filter_capture_min' AND f.jurisdiction = split_part(p.jurisdiction, '-', 1)
)
SELECT
    v.shop_id,
    v.booth_id,
    v.from_on,
    nullif(v.until_on, DATE '9999-12-31') AS until_on,
    v.filter_capture,
    f.needed AS filter_capture_needed,
    v.evidence_ref,
    CASE
        WHEN v.filter_capture < f.needed THEN 'below'
        WHEN v.filter_capture IS NULL OR v.evidence_ref IS NULL THEN 'missing'
        ELSE 'holds'
    END AS status,
    nullif(
        concat_ws(
            '; ',
            CASE WHEN v.filter_capture IS NULL THEN 'capture of the filter' END,
            CASE WHEN v.evidence_ref IS NULL THEN 'paper that shows it' END
        ),
        ''
    ) AS missing,
    f.source
FROM booth_versions AS v
INNER JOIN figures AS f ON f.shop_id = v.shop_id
ORDER BY v.shop_id, v.booth_id, v.from_on
