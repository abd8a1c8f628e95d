-- Each spray operation and the one that its gun sprayed next, in whichever shop: guns are lent and move.
SELECT
    *,
    lead(shop_id) OVER by_time AS next_shop_id,
    lead(job_id) OVER by_time AS next_job_id,
    lead(operation_no) OVER by_time AS next_operation_no
FROM sprays
WHERE gun_id IS NOT NULL
WINDOW by_time AS (PARTITION BY gun_id ORDER BY started_at, shop_id, job_id, operation_no)
ORDER BY shop_id, job_id, operation_no
