-- Who must be trained, who is, and until when, by the training rules of the home shop's jurisdiction (40 CFR 63.11173(f), (g)
-- in the US; diisocyanates in the EU): on the last day of each month of the shop's records and on their last day, by what was known
-- of trainings until then. No clock decides.
--   due_by       hired_on + within_days, not before the rule applies       valid_until   latest full training + valid_years;
--                one of 29 February runs out on 28 February (our choice, the earlier day); the day itself still counts
-- A painter's training is full where hands-on and classroom were both done; one of which either is not entered may have been:
-- who has nothing better, or nothing else that still counts, is missing. What is not in the registers is listed in
-- missing and never assumed. status: trained, expired, due (not yet, in time), overdue, missing (cannot be told), left.
-- A local jurisdiction (us-xy) without a row for a rule has that of the one above it (us).
WITH days AS (
    SELECT shop_id, next_on - 1 AS as_of FROM shop_months
    UNION
    SELECT shop_id, last_on AS as_of FROM emission_places
),
candidates AS (
    SELECT
        p.shop_id,
        r.*,
        row_number() OVER (
            PARTITION BY p.shop_id, r.rule ORDER BY r.jurisdiction DESC  -- of us and us-xy the nearer place
        ) AS choice
    FROM emission_places AS p
    INNER JOIN training_rules AS r
        ON strpos(concat(p.jurisdiction, '-'), concat(r.jurisdiction, '-')) = 1
),
rules AS (
    SELECT
        t.technician_id,
        t.shop_id,
        t.hired_on,
        t.left_on,
        p.as_of,
        r.rule,
        r.label,
        r.within_days,
        r.valid_years,
        r.applies_from,
        r.source
    FROM technicians AS t
    INNER JOIN days AS p ON p.shop_id = t.shop_id
    INNER JOIN candidates AS r ON r.shop_id = t.shop_id AND r.choice = 1
),
judged AS (
    SELECT
        u.technician_id,
        u.rule,
        g.completed_on,
        g.certificate_ref,
        u.as_of,
        make_date(
            CAST(year(g.completed_on) + u.valid_years AS INTEGER),
            CAST(month(g.completed_on) AS INTEGER),
            CAST(CASE WHEN month(g.completed_on) = 2 THEN least(28, day(g.completed_on)) ELSE day(g.completed_on) END AS INTEGER)
        ) AS valid_until,
        u.rule <> 'painter_training' OR (g.hands_on AND g.classroom) AS whole  -- null: not known
    FROM rules AS u
    INNER JOIN trainings AS g ON g.technician_id = u.technician_id
    WHERE u.as_of IS NULL OR g.completed_on <= u.as_of
),
done AS (
    SELECT
        technician_id,
        rule,
        as_of,
        min(CASE WHEN whole THEN completed_on END) AS first_completed_on,
        max(CASE WHEN whole THEN completed_on END) AS latest_completed_on,
        max(CASE WHEN whole THEN valid_until END) AS valid_until,
        bool_or(NOT whole) AS some_in_part,
        count(CASE WHEN whole IS NULL THEN 1 END) AS n_open,
        count(CASE WHEN whole IS NULL AND (as_of IS NULL OR valid_until IS NULL OR valid_until >= as_of) THEN 1 END) AS n_open_now
    FROM judged
    GROUP BY technician_id, rule, as_of
),
proofs AS (
    SELECT j.technician_id, j.rule, j.as_of, max(j.certificate_ref) AS certificate_ref
    FROM judged AS j
    INNER JOIN done AS d
        ON d.technician_id = j.technician_id AND d.rule = j.rule AND d.latest_completed_on = j.completed_on
        AND coalesce(d.as_of, DATE '9999-12-31') = coalesce(j.as_of, DATE '9999-12-31')
    WHERE j.whole
    GROUP BY j.technician_id, j.rule, j.as_of
),
dated AS (
    SELECT
        u.*,
        d.first_completed_on,
        d.latest_completed_on,
        d.valid_until,
        coalesce(d.some_in_part, FALSE) AS some_in_part,
        coalesce(d.n_open, 0) AS n_open,
        coalesce(d.n_open_now, 0) AS n_open_now,
        p.certificate_ref,
        greatest(u.hired_on + CAST(u.within_days AS INTEGER), coalesce(u.applies_from, DATE '0001-01-01')) AS train_by
    FROM rules AS u
    LEFT JOIN done AS d
        ON d.technician_id = u.technician_id AND d.rule = u.rule AND coalesce(d.as_of, DATE '9999-12-31') = coalesce(u.as_of, DATE '9999-12-31')
    LEFT JOIN proofs AS p
        ON p.technician_id = u.technician_id AND p.rule = u.rule AND coalesce(p.as_of, DATE '9999-12-31') = coalesce(u.as_of, DATE '9999-12-31')
)
SELECT
    *,
    CASE WHEN hired_on IS NOT NULL THEN train_by END AS due_by,
    CASE
        WHEN left_on < as_of THEN 'left'
        WHEN latest_completed_on IS NOT NULL AND (as_of IS NULL OR valid_until IS NULL OR valid_until >= as_of) THEN 'trained'
        WHEN n_open_now > 0 OR (latest_completed_on IS NULL AND n_open > 0) THEN 'missing'
        WHEN latest_completed_on IS NOT NULL THEN 'expired'
        WHEN hired_on IS NULL THEN 'missing'
        WHEN as_of <= train_by THEN 'due'
        ELSE 'overdue'
    END AS status,
    nullif(
        concat_ws(
            '; ',
            CASE WHEN hired_on IS NULL THEN 'day of hiring' END,
            CASE WHEN latest_completed_on IS NULL AND n_open = 0 AND some_in_part THEN 'hands-on or classroom part' END,
            CASE WHEN latest_completed_on IS NULL AND n_open = 0 AND NOT some_in_part THEN 'training' END,
            CASE
                WHEN n_open > 0 AND (latest_completed_on IS NULL OR (n_open_now > 0 AND valid_until < as_of))
                    THEN 'whether hands-on and classroom part were done'
            END,
            CASE WHEN latest_completed_on IS NOT NULL AND certificate_ref IS NULL THEN 'certificate of the latest training' END
        ),
        ''
    ) AS missing
FROM dated
ORDER BY shop_id, technician_id, rule, as_of
