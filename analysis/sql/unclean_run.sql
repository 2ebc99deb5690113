-- Runs of the collector that were cut off: ended without ending cleanly, or followed by another without having ended.
SELECT count(*) AS unclean_runs
FROM collector_run
WHERE NOT ended_cleanly
  AND (ended_at IS NOT NULL OR run < (SELECT max(run) FROM collector_run));
