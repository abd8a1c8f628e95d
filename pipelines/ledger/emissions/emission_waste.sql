-- Waste shipped off, and the credit it earns: mass x VOC fraction of its analysis, in the month shipped. 40 CFR 63.3951(e), Rw.
-- No credit, with the reason in why_not: without a document_ref; without an analysis; for a solvent of which the shop has
-- entered recovered_g by then (that already took it out); for a line that an earlier document with the same document_ref
-- carries word for word (once only).
WITH shipped AS (
    SELECT
        w.*,
        row_number() OVER (
            PARTITION BY
                w.shop_id, w.document_ref, coalesce(w.component_id, ''), w.mass_g, coalesce(w.voc_mass_fraction, -1), w.line_no
            ORDER BY w.happened_on, w.document_no
        ) AS copy_no
    FROM stock AS w
    WHERE w.movement = 'shipped_as_waste'
),
recoveries AS (
    SELECT shop_id, component_id, min(CAST(used_at AS DATE)) AS since
    FROM cleaning
    WHERE recovered_g > 0
    GROUP BY shop_id, component_id
),
judged AS (
    SELECT
        s.shop_id,
        s.document_no,
        s.line_no,
        s.happened_on,
        s.component_id,
        s.mass_g,
        s.voc_mass_fraction,
        s.document_ref,
        CASE
            WHEN s.document_ref IS NULL THEN 'no document proves it'
            WHEN s.voc_mass_fraction IS NULL THEN 'its VOC was not analysed'
            WHEN r.since <= s.happened_on THEN 'recovered solvent was taken off where it was used'
            WHEN s.copy_no > 1 THEN 'an earlier document with the same reference carries this line'
        END AS why_not
    FROM shipped AS s
    LEFT JOIN recoveries AS r ON r.shop_id = s.shop_id AND r.component_id = s.component_id
)
SELECT
    shop_id,
    document_no,
    line_no,
    happened_on,
    strftime(happened_on, '%Y-%m') AS month,
    component_id,
    mass_g,
    voc_mass_fraction,
    document_ref,
    CASE WHEN why_not IS NULL THEN mass_g * voc_mass_fraction ELSE 0.0 END AS credit_g,
    why_not
FROM judged
ORDER BY shop_id, document_no, line_no
