-- How far readings of one kind of film differ from place to place, pooled over all shops: one row per kind (roles of the
-- layers, paired, unpaired or strip; after sanding) and per blend: over a face that was covered in part the film runs from all to nothing.
--   s2_um2     variance of single readings
--   within_cv  relative spread on a face, from layers read alone at the same marked places: only such differences are free
--              of what lay there before. The same on every row; the setting within_face_cv where nobody read so.
-- Added up as decimals: exact in any order, for the fits behind it make more of the last digit of a sum over all shops.
WITH spreads AS (
    SELECT DISTINCT piece, kind, blend, sd_um, n_effective
    FROM film_pieces
    WHERE usable AND n_effective > 1 AND sd_um IS NOT NULL
    UNION ALL
    SELECT NULL AS piece, kind, FALSE AS blend, sd_um, n_effective
    FROM sanded_films
    WHERE n_effective > 1 AND sd_um IS NOT NULL
),
within_faces AS (
    SELECT
        coalesce(
            sqrt(
                CAST(sum(CAST((n_effective - 1) * sd_um * sd_um AS DECIMAL(38, 18))) AS DOUBLE)
                / CAST(sum(CAST((n_effective - 1) * mean_um * mean_um AS DECIMAL(38, 18))) AS DOUBLE)
            ),
            $within_face_cv
        ) AS cv
    FROM film_pieces
    WHERE usable AND alone AND NOT blend AND kind LIKE '%/paired' AND n_effective > 1 AND sd_um IS NOT NULL
)
SELECT
    s.kind,
    s.blend,
    CAST(sum(CAST((s.n_effective - 1) * s.sd_um * s.sd_um AS DECIMAL(38, 18))) AS DOUBLE)
    / CAST(sum(CAST(s.n_effective - 1 AS DECIMAL(38, 18))) AS DOUBLE) AS s2_um2,
    max(w.cv) AS within_cv
FROM spreads AS s
CROSS JOIN within_faces AS w
GROUP BY s.kind, s.blend
ORDER BY s.kind, s.blend
