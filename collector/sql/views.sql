-- What readers may rely on: the views below, each column with its meaning and unit. The same file makes the views of
-- the writer's store and of published.duckdb. Replacing a view drops its comments, so they stand right under it.
-- Views in the schema "base" are steps on the way and promise nothing.

-- ======================================================================================= the mill, from mill.toml

CREATE OR REPLACE VIEW main.mill AS
SELECT name, time_zone, currency, topic_root, planned_cutoff_h, demo, margin_per_t, broke_cost_per_t
FROM base.mill;
COMMENT ON VIEW main.mill IS 'The mill, as mill.toml describes it: one row.';
COMMENT ON COLUMN main.mill.name IS 'Name of the mill.';
COMMENT ON COLUMN main.mill.time_zone IS 'IANA name of the mill''s time zone: days, shifts and hours of day are in it.';
COMMENT ON COLUMN main.mill.currency IS 'Currency of all money.';
COMMENT ON COLUMN main.mill.topic_root IS 'First level of the MQTT topics that the collector itself uses.';
COMMENT ON COLUMN main.mill.planned_cutoff_h IS 'Planned downtime longer than this is left out of available time. [h]';
COMMENT ON COLUMN main.mill.demo IS 'Whether the mill is invented: its figures are demo data.';
COMMENT ON COLUMN main.mill.margin_per_t IS 'Margin lost with a tonne not made; null: not set. [currency/t]';
COMMENT ON COLUMN main.mill.broke_cost_per_t IS 'Cost of making a tonne of broke into paper again; null: not set. [currency/t]';

CREATE OR REPLACE VIEW main.machine AS
SELECT
    m.machine, m.name, m.trim_m, m.running_above_m_min, m.reorder_s, m.debounce_s, m.blind_margin_s, m.stale_after_s,
    m.trip_window_s, m.trip_drop_pct, m.attempt_pause_s, m.on_reel_confirm_s, m.secondary_within_min, m.turn_up_window_s,
    m.at_speed_within_pct, m.settled_s, m.reel_moisture_pct, m.added_g_m2, m.added_from,
    t.first_at, t.last_at
FROM base.machine AS m
LEFT JOIN (SELECT machine, min(first_at) AS first_at, max(last_at) AS last_at FROM base.tag GROUP BY machine) AS t
    ON t.machine = m.machine;
COMMENT ON VIEW main.machine IS 'The paper machines of mill.toml with the settings by which their sheet is tracked.';
COMMENT ON COLUMN main.machine.machine IS 'Id of the machine, as in topics and in every other view.';
COMMENT ON COLUMN main.machine.name IS 'Name for people.';
COMMENT ON COLUMN main.machine.trim_m IS 'Width of the sheet at the reel. [m]';
COMMENT ON COLUMN main.machine.running_above_m_min IS 'Below this speed the machine is stopped. [m/min]';
COMMENT ON COLUMN main.machine.reorder_s IS 'How long scans wait to be put in order of time. [s]';
COMMENT ON COLUMN main.machine.debounce_s IS 'A sheet detector''s change counts once it has lasted this long. [s]';
COMMENT ON COLUMN main.machine.blind_margin_s IS 'Added to the transport time in which a torn sheet must reach the next detector. [s]';
COMMENT ON COLUMN main.machine.stale_after_s IS 'Silence longer than this is a data gap; 0: never. [s]';
COMMENT ON COLUMN main.machine.trip_window_s IS 'Around a loss: a trip within this time makes it a stop. [s]';
COMMENT ON COLUMN main.machine.trip_drop_pct IS 'A fall of speed by more than this is a trip. [%]';
COMMENT ON COLUMN main.machine.attempt_pause_s IS 'An attempt that stands still this long is held. [s]';
COMMENT ON COLUMN main.machine.on_reel_confirm_s IS 'The sheet is back once it has stayed on the reel this long. [s]';
COMMENT ON COLUMN main.machine.secondary_within_min IS 'A break sooner than this after the return to the reel is secondary. [min]';
COMMENT ON COLUMN main.machine.turn_up_window_s IS 'A loss at the reel this near a change of reel is at turn-up. [s]';
COMMENT ON COLUMN main.machine.at_speed_within_pct IS 'At target speed: at most this much below it. [%]';
COMMENT ON COLUMN main.machine.settled_s IS 'Speed and quality are back once they have stayed there this long. [s]';
COMMENT ON COLUMN main.machine.reel_moisture_pct IS 'Moisture that the mill counts on; null: the moisture signal''s mean. [%]';
COMMENT ON COLUMN main.machine.added_g_m2 IS 'What size press or coater add to the sheet, oven-dry. [g/m2]';
COMMENT ON COLUMN main.machine.added_from IS 'First section whose sheet carries what is added; null: none.';
COMMENT ON COLUMN main.machine.first_at IS 'Oldest sample of the machine; null if there is none.';
COMMENT ON COLUMN main.machine.last_at IS 'Newest sample of the machine: its data horizon; null if there is none.';

CREATE OR REPLACE VIEW main.sheet_detector AS
SELECT machine, number, tag, section, position_m FROM base.sheet_detector;
COMMENT ON VIEW main.sheet_detector IS 'The sheet detectors of each machine, from the wet end to the reel.';
COMMENT ON COLUMN main.sheet_detector.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.sheet_detector.number IS 'Place in path order, from 1.';
COMMENT ON COLUMN main.sheet_detector.tag IS 'Tag that is true while it sees the sheet.';
COMMENT ON COLUMN main.sheet_detector.section IS 'Section in which the sheet was lost when this detector loses it first.';
COMMENT ON COLUMN main.sheet_detector.position_m IS 'Position along the sheet''s path, from the slice. [m]';

CREATE OR REPLACE VIEW main.signal AS
SELECT machine, role, tag FROM base.signal;
COMMENT ON VIEW main.signal IS 'Which tag plays which role in tracking the sheet (the sheet detectors are in sheet_detector).';
COMMENT ON COLUMN main.signal.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.signal.role IS
    'speed, stock_on, planned, grade, shade, reel, basis_weight, full_width, reel_witness or moisture (not tracked).';
COMMENT ON COLUMN main.signal.tag IS 'Tag that carries it.';

CREATE OR REPLACE VIEW main.grade AS
SELECT
    grade, basis_weight_g_m2, target_speed_m_min, moisture_low_pct, moisture_high_pct, plan_t_d, basis_weight_within_pct
FROM base.grade;
COMMENT ON VIEW main.grade IS 'The grades of mill.toml with their targets.';
COMMENT ON COLUMN main.grade.grade IS 'Name of the grade, as the machine''s grade signal gives it.';
COMMENT ON COLUMN main.grade.basis_weight_g_m2 IS 'Nominal basis weight. [g/m2]';
COMMENT ON COLUMN main.grade.target_speed_m_min IS 'Target speed at the reel; null: not set. [m/min]';
COMMENT ON COLUMN main.grade.moisture_low_pct IS 'Lower limit of moisture at the reel; null: not set. [%]';
COMMENT ON COLUMN main.grade.moisture_high_pct IS 'Upper limit of moisture at the reel; null: not set. [%]';
COMMENT ON COLUMN main.grade.plan_t_d IS 'Planned production; null: not set. [t/d]';
COMMENT ON COLUMN main.grade.basis_weight_within_pct IS 'Basis weight may be off nominal by this; null: not set. [%]';

CREATE OR REPLACE VIEW main.cause AS
SELECT code, section, name, loss FROM base.cause;
COMMENT ON VIEW main.cause IS 'The causes a crew may choose from.';
COMMENT ON COLUMN main.cause.code IS 'Code, as notes give it.';
COMMENT ON COLUMN main.cause.section IS 'Section in which such a cause lies (the sheet may break further on); null: any.';
COMMENT ON COLUMN main.cause.name IS 'What it means, in a few words.';
COMMENT ON COLUMN main.cause.loss IS
    'Row of the loss table for stops and sheet-offs of this cause: scheduled, unscheduled, process, grade change or other; null: by kind.';

CREATE OR REPLACE VIEW main.broke_pit AS
SELECT pit, section, consistency_pct FROM base.broke_pit;
COMMENT ON VIEW main.broke_pit IS 'Where the sheet goes while it is not on the reel: one row a pit and section.';
COMMENT ON COLUMN main.broke_pit.pit IS 'Name of the pit.';
COMMENT ON COLUMN main.broke_pit.section IS 'Section whose losses fall into it.';
COMMENT ON COLUMN main.broke_pit.consistency_pct IS 'Consistency of the broke in it; null: not set. [%]';

CREATE OR REPLACE VIEW main.broke_tower AS
SELECT
    tower, volume_m3, level_tag, dosing_tag, shades, returned_tag, spilled_tag, consistency_pct, machine, dosed_into
FROM base.broke_tower;
COMMENT ON VIEW main.broke_tower IS 'The towers that hold broke until it is dosed back.';
COMMENT ON COLUMN main.broke_tower.tower IS 'Name of the tower.';
COMMENT ON COLUMN main.broke_tower.volume_m3 IS 'Volume. [m3]';
COMMENT ON COLUMN main.broke_tower.level_tag IS 'Tag of its level in %; null: none.';
COMMENT ON COLUMN main.broke_tower.dosing_tag IS 'Tag of its share of the furnish in %; null: none.';
COMMENT ON COLUMN main.broke_tower.shades IS 'Shades of paper that may go into it.';
COMMENT ON COLUMN main.broke_tower.returned_tag IS 'Tag of what winder and finishing send back, in m3/h; null: none.';
COMMENT ON COLUMN main.broke_tower.spilled_tag IS 'Tag of what runs over when it is full, in m3/h; null: none.';
COMMENT ON COLUMN main.broke_tower.consistency_pct IS 'Consistency of what it holds; null: not set. [%]';
COMMENT ON COLUMN main.broke_tower.machine IS 'Id of the machine whose tags these are; null: every machine has one like it.';
COMMENT ON COLUMN main.broke_tower.dosed_into IS 'Shades that what it holds may be dosed into.';

CREATE OR REPLACE VIEW main.shift AS
SELECT shift_date, shift, crew, started_at, ended_at FROM base.shift;
COMMENT ON VIEW main.shift IS 'The shifts of the rota, with its overrides, over the time of the data; empty if mill.toml has no [shifts].';
COMMENT ON COLUMN main.shift.shift_date IS 'Mill-local day on which the shift starts.';
COMMENT ON COLUMN main.shift.shift IS 'Name of the shift, such as day or night.';
COMMENT ON COLUMN main.shift.crew IS 'Crew on duty.';
COMMENT ON COLUMN main.shift.started_at IS 'Start. A shift on a night of changing clocks is an hour shorter or longer.';
COMMENT ON COLUMN main.shift.ended_at IS 'End; the next one starts then, unless mill.toml takes it off.';

CREATE OR REPLACE VIEW main.configuration AS
SELECT
    c.configuration_id, c.digest, c.text,
    make_timestamptz(min(m.first_scan_ms) * 1000) AS first_scan_at,
    make_timestamptz(max(m.last_scan_ms) * 1000) AS last_scan_at
FROM base.configuration AS c
LEFT JOIN base.message_count AS m ON m.configuration_id = c.configuration_id
GROUP BY c.configuration_id, c.digest, c.text;
COMMENT ON VIEW main.configuration IS 'Every state of mill.toml that scans were tracked with.';
COMMENT ON COLUMN main.configuration.configuration_id IS 'Number, from 1, in order of first use.';
COMMENT ON COLUMN main.configuration.digest IS 'SHA-256 of the text. [hex]';
COMMENT ON COLUMN main.configuration.text IS 'The settings as JSON, defaults filled in, without broker and store.';
COMMENT ON COLUMN main.configuration.first_scan_at IS 'Oldest source time stored under it; null: none yet.';
COMMENT ON COLUMN main.configuration.last_scan_at IS 'Newest source time stored under it; null: none yet.';

-- ======================================================================================= samples

CREATE OR REPLACE VIEW main.sample AS
SELECT t.machine, t.tag, s.sampled_at, s.value, s.flags, s.tag_id
FROM base.stored_sample AS s
JOIN base.tag AS t ON t.tag_id = s.tag_id;
COMMENT ON VIEW main.sample IS 'Every number ever received: one row a machine, tag and source time.';
COMMENT ON COLUMN main.sample.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.sample.tag IS 'Name of the tag.';
COMMENT ON COLUMN main.sample.sampled_at IS 'Source time, to the millisecond. A value holds until the tag''s next one.';
COMMENT ON COLUMN main.sample.value IS 'The value, in the tag''s unit; truths are 1 or 0; null: the source called it bad.';
COMMENT ON COLUMN main.sample.flags IS
    'Sum of: 1 timed on arrival, 2 outside its plausible range, 4 bad quality, 8 late (not used by the tracker until a rebuild), 16 historical, 32 initial state only (kept by the broker, true time unknown), 64 thinned (stands for its minute: the mean by time of all values from here to the tag''s next row, with the flags that any of them had).';
COMMENT ON COLUMN main.sample.tag_id IS
    'Number of the machine''s tag in the view tag: quicker to group by than its name. A rebuilt store may number anew.';

CREATE OR REPLACE VIEW main.numbered_sample AS
SELECT s.tag_id, s.sampled_at, s.value, s.flags
FROM base.stored_sample AS s;
COMMENT ON VIEW main.numbered_sample IS
    'The rows of sample by the number of their tag alone: a quarter quicker where hundreds of millions are read.';
COMMENT ON COLUMN main.numbered_sample.tag_id IS 'Number of the machine''s tag in the view tag.';
COMMENT ON COLUMN main.numbered_sample.sampled_at IS 'Source time, to the millisecond. A value holds until the tag''s next one.';
COMMENT ON COLUMN main.numbered_sample.value IS 'As in sample.';
COMMENT ON COLUMN main.numbered_sample.flags IS 'As in sample.';

CREATE OR REPLACE VIEW main.sample_text AS
SELECT t.machine, t.tag, s.sampled_at, s.text, s.flags
FROM base.stored_text AS s
JOIN base.tag AS t ON t.tag_id = s.tag_id;
COMMENT ON VIEW main.sample_text IS
    'Every text ever received, such as grades and reel numbers: one row a machine, tag and source time. A bad value of such a tag stands in sample, since it is no text.';
COMMENT ON COLUMN main.sample_text.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.sample_text.tag IS 'Name of the tag.';
COMMENT ON COLUMN main.sample_text.sampled_at IS 'Source time, to the millisecond. A text holds until the tag''s next one.';
COMMENT ON COLUMN main.sample_text.text IS 'The text as it came.';
COMMENT ON COLUMN main.sample_text.flags IS
    'Sum of: 1 timed on arrival, 8 late (not used by the tracker until a rebuild), 16 historical, 32 initial state only. Texts are never thinned.';

CREATE OR REPLACE VIEW main.tag AS
SELECT
    t.machine, t.tag, s.unit, s.section, s.use, s.low, s.high, t.first_at, t.last_at, t.last_value, t.last_text,
    t.tag_id
FROM base.tag AS t
LEFT JOIN base.tag_setting AS s ON s.machine = t.machine AND s.tag = t.tag;
COMMENT ON VIEW main.tag IS 'Every tag that was ever heard, with what mill.toml says of it.';
COMMENT ON COLUMN main.tag.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.tag.tag IS 'Name of the tag.';
COMMENT ON COLUMN main.tag.unit IS 'Unit of its values; null: mill.toml does not say.';
COMMENT ON COLUMN main.tag.section IS 'Section of the machine; null: mill.toml does not say.';
COMMENT ON COLUMN main.tag.use IS
    'process (may predict a break), result (moves because of one) or context; null: mill.toml does not say.';
COMMENT ON COLUMN main.tag.low IS 'Lower end of the plausible range, in the tag''s unit; null: none.';
COMMENT ON COLUMN main.tag.high IS 'Upper end of the plausible range, in the tag''s unit; null: none.';
COMMENT ON COLUMN main.tag.first_at IS 'Source time of the oldest sample.';
COMMENT ON COLUMN main.tag.last_at IS 'Source time of the newest sample.';
COMMENT ON COLUMN main.tag.last_value IS 'Newest value, in the tag''s unit; null if it is a text or bad.';
COMMENT ON COLUMN main.tag.last_text IS 'Newest text; null if the newest sample is a number or bad.';

-- ======================================================================================= what the tracker found
COMMENT ON COLUMN main.tag.tag_id IS 'Number of the machine''s tag in the view sample; a rebuilt store may number anew.';

CREATE OR REPLACE VIEW main.machine_state AS
SELECT
    machine, state, started_at,
    lead(started_at) OVER (PARTITION BY machine ORDER BY started_at) AS ended_at
FROM base.machine_state;
COMMENT ON VIEW main.machine_state IS
    'What each machine was doing, one state at every moment, as the tracker saw it: notes of the crew do not change it.';
COMMENT ON COLUMN main.machine_state.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.machine_state.state IS
    'The first that applies: no_data, stopped (below running speed), stock_off, on_reel, threading, down.';
COMMENT ON COLUMN main.machine_state.started_at IS 'Start.';
COMMENT ON COLUMN main.machine_state.ended_at IS 'End, which is the start of the next one; null: still so at the data horizon.';

CREATE OR REPLACE VIEW main.production AS
SELECT machine, started_at, ended_at, grade, shade, reel, length_m, tonnes_t FROM base.production
UNION ALL
SELECT machine, started_at, ended_at, grade, shade, reel, length_m, tonnes_t FROM base.production_under_way
WHERE started_at IS NOT NULL;
COMMENT ON VIEW main.production IS
    'On-reel time by clock hour (UTC), grade, shade and reel, and what was made in it. Rows never overlap and together cover all on-reel time so far; a machine''s last one may still grow.';
COMMENT ON COLUMN main.production.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.production.started_at IS 'Start.';
COMMENT ON COLUMN main.production.ended_at IS 'End.';
COMMENT ON COLUMN main.production.grade IS 'Grade; null: unknown.';
COMMENT ON COLUMN main.production.shade IS 'Shade; null: unknown or not given.';
COMMENT ON COLUMN main.production.reel IS 'Reel number; null: unknown or not given.';
COMMENT ON COLUMN main.production.length_m IS 'Sheet onto the reel, the integral of speed. [m]';
COMMENT ON COLUMN main.production.tonnes_t IS
    'Integral of speed x trim x basis weight, at reel moisture; null: the basis weight was unknown for part of it. [t]';

CREATE OR REPLACE VIEW main.reel AS
WITH reel AS (
    SELECT
        machine, reel, started_at, first_seen,
        lead(started_at) OVER (PARTITION BY machine ORDER BY started_at) AS ended_at
    FROM base.reel
),
made AS (
    SELECT
        r.machine, r.started_at,
        CASE WHEN count(*) = count(p.tonnes_t) THEN sum(p.tonnes_t) END AS tonnes_t
    FROM main.production AS p
    ASOF JOIN reel AS r ON r.machine = p.machine AND p.started_at >= r.started_at
    GROUP BY r.machine, r.started_at
)
SELECT r.machine, r.reel, r.started_at, r.ended_at, m.tonnes_t, r.first_seen AS start_uncertain
FROM reel AS r
LEFT JOIN made AS m ON m.machine = r.machine AND m.started_at = r.started_at;
COMMENT ON VIEW main.reel IS 'The reels wound, from turn-up to turn-up.';
COMMENT ON COLUMN main.reel.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.reel.reel IS 'Reel number.';
COMMENT ON COLUMN main.reel.started_at IS 'The turn-up onto it, or when its number was first heard (start_uncertain).';
COMMENT ON COLUMN main.reel.ended_at IS 'The next turn-up; null: still winding at the data horizon.';
COMMENT ON COLUMN main.reel.tonnes_t IS 'Made onto it so far; null: unknown for part of it, or nothing made yet. [t]';
COMMENT ON COLUMN main.reel.start_uncertain IS 'True: its number was merely heard for the first time, so this is no turn-up.';

CREATE OR REPLACE VIEW main.grade_run AS
WITH run AS (
    SELECT
        machine, grade, shade, started_at, first_seen,
        lead(started_at) OVER (PARTITION BY machine ORDER BY started_at) AS ended_at
    FROM base.grade_run
),
made AS (
    SELECT
        r.machine, r.started_at,
        CASE WHEN count(*) = count(p.tonnes_t) THEN sum(p.tonnes_t) END AS tonnes_t
    FROM main.production AS p
    ASOF JOIN run AS r ON r.machine = p.machine AND p.started_at >= r.started_at
    GROUP BY r.machine, r.started_at
)
SELECT r.machine, r.grade, r.shade, r.started_at, r.ended_at, m.tonnes_t, r.first_seen AS start_uncertain
FROM run AS r
LEFT JOIN made AS m ON m.machine = r.machine AND m.started_at = r.started_at;
COMMENT ON VIEW main.grade_run IS 'Stretches of one grade and shade; breaks within them do not end them.';
COMMENT ON COLUMN main.grade_run.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.grade_run.grade IS 'Grade; null: unknown.';
COMMENT ON COLUMN main.grade_run.shade IS 'Shade; null: unknown or not given.';
COMMENT ON COLUMN main.grade_run.started_at IS 'The change to it, or when it was first heard (start_uncertain).';
COMMENT ON COLUMN main.grade_run.ended_at IS 'The next change; null: still running at the data horizon.';
COMMENT ON COLUMN main.grade_run.tonnes_t IS 'Made in it so far; null: unknown for part of it, or nothing made yet. [t]';
COMMENT ON COLUMN main.grade_run.start_uncertain IS 'True: it was merely heard for the first time, so this is no grade change.';

CREATE OR REPLACE VIEW main.detector_fault AS
SELECT f.machine, f.tag, f.kind, f.started_at, f.ended_at, CAST(1 AS BIGINT) AS count, CAST(NULL AS DATE) AS day
FROM base.detector_fault AS f
UNION ALL
SELECT f.machine, f.tag, 'flicker', f.first_at, f.last_at, f.count, f.day
FROM base.detector_flicker AS f;
COMMENT ON VIEW main.detector_fault IS 'What was wrong with sheet detectors (and with bad signals), and for how long.';
COMMENT ON COLUMN main.detector_fault.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.detector_fault.tag IS 'Tag of the detector or signal.';
COMMENT ON COLUMN main.detector_fault.kind IS
    'blind (did not see a sheet that was there), stuck (saw one that was not), bad (bad quality for long), flicker (changes too short to count, one row a day).';
COMMENT ON COLUMN main.detector_fault.started_at IS 'Start; for flicker the first of the day.';
COMMENT ON COLUMN main.detector_fault.ended_at IS 'End; null: still so. For flicker the beginning of the last of the day.';
COMMENT ON COLUMN main.detector_fault.count IS 'How often: 1, for flicker the number of flickers on that day.';
COMMENT ON COLUMN main.detector_fault.day IS 'For flicker the mill-local day, else null.';

CREATE OR REPLACE VIEW main.rebuild AS
SELECT
    machine, rebuilt_at, first_at, last_at, present_settings, scans, late, downtimes_before, downtimes_after, added,
    removed, moved, changed
FROM base.rebuild;
COMMENT ON VIEW main.rebuild IS 'Every time that what the tracker found of a machine was worked out anew from its samples.';
COMMENT ON COLUMN main.rebuild.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.rebuild.rebuilt_at IS 'When it was done.';
COMMENT ON COLUMN main.rebuild.first_at IS 'Oldest source time that was read; null: the machine had no samples.';
COMMENT ON COLUMN main.rebuild.last_at IS 'Newest source time that was read.';
COMMENT ON COLUMN main.rebuild.present_settings IS 'True: all was judged by the settings of that day; false: each time by its own.';
COMMENT ON COLUMN main.rebuild.scans IS 'How many moments were read.';
COMMENT ON COLUMN main.rebuild.late IS 'Values of role tags among them that had come too late for the tracker when they came.';
COMMENT ON COLUMN main.rebuild.downtimes_before IS 'Downtimes before it.';
COMMENT ON COLUMN main.rebuild.downtimes_after IS 'Downtimes after it.';
COMMENT ON COLUMN main.rebuild.added IS 'Downtimes that no earlier one answers to.';
COMMENT ON COLUMN main.rebuild.removed IS 'Downtimes that are gone, and that no other one answers to.';
COMMENT ON COLUMN main.rebuild.moved IS 'Downtimes with another start, so another id: downtime_alias says which.';
COMMENT ON COLUMN main.rebuild.changed IS 'Downtimes with the same id, but another end, kind, section or context.';

-- ======================================================================================= what people sent

-- Notes that no withdrawal names, each with the id that its downtime has now. A withdrawal cannot be withdrawn.
CREATE OR REPLACE VIEW base.live_note AS
SELECT n.* REPLACE (coalesce(a.downtime_id, n.downtime_id) AS downtime_id, coalesce(b.downtime_id, n.merge_into) AS merge_into)
FROM base.note AS n
LEFT JOIN base.downtime_alias AS a ON a.old_id = n.downtime_id
LEFT JOIN base.downtime_alias AS b ON b.old_id = n.merge_into
WHERE n.kind <> 'withdrawal'
  AND NOT EXISTS (
    SELECT 1 FROM base.note AS w WHERE w.kind = 'withdrawal' AND w.machine = n.machine AND w.withdraws = n.note_id
  );

-- Breaks that the crew added. One that overlaps what the tracker found, or a newer such note, does not hold.
CREATE OR REPLACE VIEW base.missed_downtime AS
WITH missed AS (
    SELECT
        n.note_id, n.machine, n.started_at, n.ended_at, n.noted_at, n.receipt, n.section,
        n.machine || '-' || strftime(n.started_at AT TIME ZONE 'UTC', '%Y%m%dT%H%M%SZ') AS downtime_id
    FROM base.live_note AS n
    WHERE n.kind = 'missed' AND n.ended_at > n.started_at
)
SELECT m.*
FROM missed AS m
WHERE NOT EXISTS (
    SELECT 1 FROM base.downtime AS d
    WHERE d.machine = m.machine
      AND (d.downtime_id = m.downtime_id
           OR (d.started_at < m.ended_at AND coalesce(d.ended_at, 'infinity'::TIMESTAMPTZ) > m.started_at))
  )
  AND NOT EXISTS (
    SELECT 1 FROM missed AS o
    WHERE o.machine = m.machine
      AND (o.noted_at, o.receipt) > (m.noted_at, m.receipt)
      AND (o.downtime_id = m.downtime_id OR (o.started_at < m.ended_at AND o.ended_at > m.started_at))
  );

-- Every downtime before merging. A missed break has no context but its section, if the crew gave one, and what
-- production says of the hour it began in.
CREATE OR REPLACE VIEW base.single_downtime AS
SELECT
    d.downtime_id, d.machine, d.kind AS found_kind, 'tracker' AS found_by, d.started_at, d.ended_at, d.section,
    d.location_tied, d.start_uncertain, d.end_uncertain, d.unwitnessed, d.at_reel, d.grade, d.shade, d.reel,
    d.speed_before_m_min, d.rate_before_t_h, d.on_reel_before_ms, d.since_turn_up_ms, d.since_grade_change_ms
FROM base.downtime AS d
UNION ALL BY NAME
SELECT
    m.downtime_id, m.machine, NULL AS found_kind, 'crew' AS found_by, m.started_at, m.ended_at, m.section,
    FALSE AS location_tied, FALSE AS start_uncertain, FALSE AS end_uncertain, FALSE AS unwitnessed, NULL AS at_reel,
    CASE WHEN p.ended_at > m.started_at THEN p.grade END AS grade,
    CASE WHEN p.ended_at > m.started_at THEN p.shade END AS shade,
    CASE WHEN p.ended_at > m.started_at THEN p.reel END AS reel,
    CASE WHEN p.ended_at > m.started_at
         THEN p.length_m / ((epoch_ms(p.ended_at) - epoch_ms(p.started_at)) / 60000.0) END AS speed_before_m_min,
    CASE WHEN p.ended_at > m.started_at
         THEN p.tonnes_t / ((epoch_ms(p.ended_at) - epoch_ms(p.started_at)) / 3600000.0) END AS rate_before_t_h,
    NULL AS on_reel_before_ms, NULL AS since_turn_up_ms, NULL AS since_grade_change_ms
FROM base.missed_downtime AS m
ASOF LEFT JOIN main.production AS p ON p.machine = m.machine AND p.started_at <= m.started_at;

-- Begin and end of every downtime before merging, and no more: what merging needs to know.
CREATE OR REPLACE VIEW base.downtime_span AS
SELECT machine, downtime_id, started_at, coalesce(ended_at, 'infinity'::TIMESTAMPTZ) AS ended_at FROM base.downtime
UNION ALL
SELECT machine, downtime_id, started_at, ended_at FROM base.missed_downtime;

-- The newest merge note of each downtime, if both its ends exist.
CREATE OR REPLACE VIEW base.merge_edge AS
SELECT n.note_id, n.machine, n.downtime_id AS absorbed_id, n.merge_into AS into_id
FROM base.live_note AS n
SEMI JOIN base.downtime_span AS a ON a.machine = n.machine AND a.downtime_id = n.downtime_id
SEMI JOIN base.downtime_span AS b ON b.machine = n.machine AND b.downtime_id = n.merge_into
WHERE n.kind = 'merge'
QUALIFY row_number() OVER (PARTITION BY n.downtime_id ORDER BY n.noted_at DESC, n.receipt DESC) = 1;

-- The downtimes that take part in merges that hold, each with the one at the end of its chain. Merges in a ring, and
-- merges across a downtime that stays apart, do not hold.
CREATE OR REPLACE VIEW base.merged_member AS
WITH RECURSIVE edge AS MATERIALIZED (
    SELECT * FROM base.merge_edge
),
chain AS (
    SELECT machine, absorbed_id AS member_id, into_id AS downtime_id FROM edge
    UNION
    SELECT c.machine, c.member_id, e.into_id FROM chain AS c JOIN edge AS e ON e.absorbed_id = c.downtime_id
),
absorbed AS (
    SELECT * FROM chain WHERE downtime_id NOT IN (SELECT absorbed_id FROM edge)
),
wished AS (
    SELECT machine, member_id, downtime_id FROM absorbed
    UNION
    SELECT machine, downtime_id, downtime_id FROM absorbed
),
span AS (
    SELECT w.machine, w.downtime_id, min(s.started_at) AS started_at, max(s.ended_at) AS ended_at
    FROM wished AS w
    JOIN base.downtime_span AS s ON s.downtime_id = w.member_id
    GROUP BY w.machine, w.downtime_id
),
crossed AS (
    SELECT g.downtime_id
    FROM span AS g
    JOIN base.downtime_span AS s
        ON s.machine = g.machine AND s.started_at < g.ended_at AND s.ended_at > g.started_at
    LEFT JOIN wished AS w ON w.member_id = s.downtime_id
    WHERE w.downtime_id IS DISTINCT FROM g.downtime_id
)
SELECT machine, member_id, downtime_id
FROM wished
WHERE downtime_id NOT IN (SELECT downtime_id FROM crossed);

-- Which downtime each one belongs to after merging: itself, or the one that absorbs it.
CREATE OR REPLACE VIEW base.downtime_group AS
SELECT s.machine, s.downtime_id AS member_id, coalesce(m.downtime_id, s.downtime_id) AS downtime_id
FROM base.downtime_span AS s
LEFT JOIN base.merged_member AS m ON m.member_id = s.downtime_id;

-- The cause note and the kind note that hold, of each downtime after merging.
CREATE OR REPLACE VIEW base.holding_note AS
SELECT g.downtime_id, n.* EXCLUDE (downtime_id)
FROM base.live_note AS n
JOIN base.downtime_group AS g ON g.machine = n.machine AND g.member_id = n.downtime_id
WHERE n.kind IN ('cause', 'kind')
QUALIFY row_number() OVER (PARTITION BY g.downtime_id, n.kind ORDER BY n.noted_at DESC, n.receipt DESC) = 1;

-- Time with stock on and the sheet off the reel, per downtime as found. Such states lie within one downtime.
CREATE OR REPLACE VIEW base.broke_time AS
SELECT d.downtime_id, sum(epoch_ms(s.ended_at) - epoch_ms(s.started_at)) AS broke_ms
FROM main.machine_state AS s
ASOF JOIN base.downtime AS d ON d.machine = s.machine AND d.started_at <= s.started_at
WHERE s.state IN ('threading', 'down') AND s.ended_at IS NOT NULL
GROUP BY d.downtime_id;

-- Downtimes after merging, with what their members add up to.
CREATE OR REPLACE VIEW base.merged_downtime AS
WITH member AS (
    SELECT
        g.downtime_id AS group_id, s.*, a.attempts, b.broke_ms,
        row_number() OVER (PARTITION BY g.downtime_id ORDER BY s.started_at) AS place
    FROM base.single_downtime AS s
    JOIN base.downtime_group AS g ON g.member_id = s.downtime_id AND g.machine = s.machine
    LEFT JOIN (SELECT downtime_id, count(*) AS attempts FROM base.threading_attempt GROUP BY downtime_id) AS a
        ON a.downtime_id = s.downtime_id
    LEFT JOIN base.broke_time AS b ON b.downtime_id = s.downtime_id
),
total AS (
    SELECT
        group_id,
        CASE WHEN count(*) = count(ended_at) THEN max(ended_at) END AS ended_at,
        CASE WHEN bool_or(found_by = 'tracker') THEN coalesce(sum(attempts), 0) END AS attempts,
        bool_or(end_uncertain) AS end_uncertain,
        sum(CASE WHEN found_by = 'tracker' THEN coalesce(broke_ms, 0)
                 ELSE epoch_ms(ended_at) - epoch_ms(started_at) END) AS broke_ms,
        count(*) - 1 AS absorbed
    FROM member
    GROUP BY group_id
)
SELECT
    m.* EXCLUDE (downtime_id, group_id, ended_at, attempts, end_uncertain, broke_ms, place),
    t.group_id AS downtime_id, t.ended_at, CAST(t.attempts AS BIGINT) AS attempts, t.end_uncertain,
    CAST(t.broke_ms AS BIGINT) AS broke_ms, t.absorbed,
    lag(t.ended_at) OVER earlier AS previous_ended_at,
    lag(m.found_by) OVER earlier AS previous_found_by
FROM member AS m
JOIN total AS t ON t.group_id = m.group_id
WHERE m.place = 1
WINDOW earlier AS (PARTITION BY m.machine ORDER BY m.started_at);

CREATE OR REPLACE VIEW main.downtime AS
WITH holding AS MATERIALIZED (
    SELECT * FROM base.holding_note
),
turn_up AS (
    SELECT machine, started_at FROM base.reel WHERE NOT first_seen
),
unseen AS (
    SELECT machine, started_at FROM base.machine_state WHERE state = 'no_data'
),
placed AS (
    SELECT
        d.*,
        coalesce(k.new_kind, d.found_kind, 'break') AS kind,
        CASE
            WHEN d.previous_found_by = 'crew' OR d.found_by = 'crew' THEN
                CASE WHEN coalesce(u.started_at < d.previous_ended_at, TRUE)
                     THEN epoch_ms(d.started_at) - epoch_ms(d.previous_ended_at) END
            ELSE d.on_reel_before_ms
        END AS on_reel_ms,
        c.cause, c.certainty, c.comment, c.noted_by, c.noted_at,
        m.secondary_within_min,
        CASE WHEN NOT d.start_uncertain AND d.at_reel IS NOT NULL
              AND EXISTS (SELECT 1 FROM base.signal AS g WHERE g.machine = d.machine AND g.role = 'reel')
             THEN d.at_reel AND coalesce(
                 epoch_ms(d.started_at) - epoch_ms(b.started_at) <= m.turn_up_window_s * 1000
                 OR epoch_ms(a.started_at) - epoch_ms(d.started_at) <= m.turn_up_window_s * 1000, FALSE)
        END AS at_turn_up
    FROM base.merged_downtime AS d
    LEFT JOIN base.machine AS m ON m.machine = d.machine
    LEFT JOIN holding AS k ON k.downtime_id = d.downtime_id AND k.kind = 'kind'
    LEFT JOIN holding AS c ON c.downtime_id = d.downtime_id AND c.kind = 'cause'
    ASOF LEFT JOIN turn_up AS b ON b.machine = d.machine AND b.started_at <= d.started_at
    ASOF LEFT JOIN turn_up AS a ON a.machine = d.machine AND a.started_at >= d.started_at
    ASOF LEFT JOIN unseen AS u ON u.machine = d.machine AND u.started_at < d.started_at
)
SELECT
    p.downtime_id, p.machine, p.kind, p.started_at, p.ended_at,
    (epoch_ms(p.ended_at) - epoch_ms(p.started_at)) / 1000.0 AS lost_s,
    p.section, p.location_tied, p.start_uncertain, p.attempts, p.end_uncertain, p.unwitnessed,
    p.grade, p.shade, p.reel,
    CASE WHEN p.started_at < s.ended_at THEN s.shift_date END AS shift_date,
    CASE WHEN p.started_at < s.ended_at THEN s.shift END AS shift,
    CASE WHEN p.started_at < s.ended_at THEN s.crew END AS crew,
    p.cause, p.certainty, p.comment, p.noted_by, p.noted_at,
    p.speed_before_m_min, p.rate_before_t_h,
    (epoch_ms(p.ended_at) - epoch_ms(p.started_at)) / 3600000.0 * p.rate_before_t_h AS lost_t,
    CASE WHEN p.ended_at IS NOT NULL THEN p.broke_ms / 3600000.0 * p.rate_before_t_h END AS broke_t,
    p.on_reel_ms / 1000.0 AS on_reel_before_s,
    p.since_turn_up_ms / 1000.0 AS since_turn_up_s,
    p.since_grade_change_ms / 1000.0 AS since_grade_change_s,
    p.at_reel, p.at_turn_up,
    CASE WHEN p.kind = 'break' THEN p.on_reel_ms < p.secondary_within_min * 60000 ELSE FALSE END AS secondary,
    p.found_kind, p.found_by, p.absorbed
FROM placed AS p
ASOF LEFT JOIN base.shift AS s ON s.started_at <= p.started_at;
COMMENT ON VIEW main.downtime IS
    'Every stretch in which the sheet was not on the reel, as it holds now: found by the tracker, with kinds corrected, missed breaks added and others merged by notes of the crew. Rows of one machine never overlap.';
COMMENT ON COLUMN main.downtime.downtime_id IS 'Id: machine and start in UTC, as MACHINE-20260301T020304Z.';
COMMENT ON COLUMN main.downtime.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.downtime.kind IS
    'How it began: break (unplanned), stop (stock or speed went), planned (sheet-off), unknown. As the crew''s newest kind note says, else as found.';
COMMENT ON COLUMN main.downtime.started_at IS 'Loss of the sheet.';
COMMENT ON COLUMN main.downtime.ended_at IS 'Full-width sheet back on the reel; null: still open at the data horizon.';
COMMENT ON COLUMN main.downtime.lost_s IS 'Loss to sheet back on the reel; null while open. [s]';
COMMENT ON COLUMN main.downtime.section IS
    'Section of the detector that lost the sheet first; null: a stop, or it cannot be known.';
COMMENT ON COLUMN main.downtime.location_tied IS
    'True: several detectors lost it in the same scan, and section is the most upstream of them.';
COMMENT ON COLUMN main.downtime.start_uncertain IS 'True: the loss itself was not seen (a data gap, or the first data).';
COMMENT ON COLUMN main.downtime.attempts IS 'Attempts at threading, the last one included; null for a break that the crew added.';
COMMENT ON COLUMN main.downtime.end_uncertain IS
    'True: a data gap lies in it, so its length is left out of duration statistics.';
COMMENT ON COLUMN main.downtime.unwitnessed IS
    'True: only the last detector lost the sheet, and nothing else confirms it.';
COMMENT ON COLUMN main.downtime.grade IS 'Grade being made at the loss; null: unknown.';
COMMENT ON COLUMN main.downtime.shade IS 'Shade being made at the loss; null: unknown or not given.';
COMMENT ON COLUMN main.downtime.reel IS 'Number of the reel being wound at the loss; null: unknown or not given.';
COMMENT ON COLUMN main.downtime.shift_date IS 'Mill-local day of the shift in which it began; null without a rota, or where it has no shift then.';
COMMENT ON COLUMN main.downtime.shift IS 'Shift in which it began; null without a rota, or where it has no shift then.';
COMMENT ON COLUMN main.downtime.crew IS 'Crew on duty when it began; null without a rota, or where it has no shift then.';
COMMENT ON COLUMN main.downtime.cause IS 'Cause code of the note that holds; null: not coded.';
COMMENT ON COLUMN main.downtime.certainty IS 'suspected, likely or confirmed, as the note that holds says; null: not coded, or not said.';
COMMENT ON COLUMN main.downtime.comment IS 'Comment of the note that holds; null: none.';
COMMENT ON COLUMN main.downtime.noted_by IS 'Who wrote the note that holds; null: not coded.';
COMMENT ON COLUMN main.downtime.noted_at IS 'When the note that holds was written; null: not coded.';
COMMENT ON COLUMN main.downtime.speed_before_m_min IS
    'Mean speed over the last 30 on-reel minutes of the grade run (what there is, if shorter); for a break that the crew added, of that clock hour; null: unknown. [m/min]';
COMMENT ON COLUMN main.downtime.rate_before_t_h IS
    'Mean rate over the last 30 on-reel minutes of the grade run (what there is, if shorter); for a break that the crew added, of that clock hour; null: unknown. [t/h]';
COMMENT ON COLUMN main.downtime.lost_t IS 'Paper not made: lost time x rate before; null while open or without a rate. [t]';
COMMENT ON COLUMN main.downtime.broke_t IS
    'Broke made: time with stock on and the sheet off the reel x rate before; null while open or without a rate. [t]';
COMMENT ON COLUMN main.downtime.on_reel_before_s IS
    'From the last return to the reel to the loss; null: that return was not seen, or a data gap lies between. [s]';
COMMENT ON COLUMN main.downtime.since_turn_up_s IS 'From the last turn-up to the loss; null: none was seen. [s]';
COMMENT ON COLUMN main.downtime.since_grade_change_s IS
    'From the last change of grade or shade to the loss; null: none was seen. [s]';
COMMENT ON COLUMN main.downtime.at_reel IS
    'True: the last detector was the first to lose the sheet; null for a break that the crew added.';
COMMENT ON COLUMN main.downtime.at_turn_up IS
    'True: lost at the reel within turn_up_window_s of a change of reel; null: no reel signal, the loss was not seen, or the crew added the break.';
COMMENT ON COLUMN main.downtime.secondary IS
    'True: a break sooner than secondary_within_min after the return to the reel; null: a break whose time on the reel is unknown; false for other kinds.';
COMMENT ON COLUMN main.downtime.found_kind IS 'Kind as the tracker found it; null for a break that the crew added.';
COMMENT ON COLUMN main.downtime.found_by IS 'tracker, or crew for a missed break added by a note.';
COMMENT ON COLUMN main.downtime.absorbed IS 'How many other downtimes were merged into it by notes.';

CREATE OR REPLACE VIEW main.sheet_break AS
SELECT * FROM main.downtime WHERE kind = 'break';
COMMENT ON VIEW main.sheet_break IS 'The downtimes that began with an unplanned loss of the sheet while making paper.';
COMMENT ON COLUMN main.sheet_break.downtime_id IS 'Id: machine and start in UTC, as MACHINE-20260301T020304Z.';
COMMENT ON COLUMN main.sheet_break.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.sheet_break.kind IS
    'How it began: break (unplanned), stop (stock or speed went), planned (sheet-off), unknown. As the crew''s newest kind note says, else as found.';
COMMENT ON COLUMN main.sheet_break.started_at IS 'Loss of the sheet.';
COMMENT ON COLUMN main.sheet_break.ended_at IS 'Full-width sheet back on the reel; null: still open at the data horizon.';
COMMENT ON COLUMN main.sheet_break.lost_s IS 'Loss to sheet back on the reel; null while open. [s]';
COMMENT ON COLUMN main.sheet_break.section IS
    'Section of the detector that lost the sheet first; null: a stop, or it cannot be known.';
COMMENT ON COLUMN main.sheet_break.location_tied IS
    'True: several detectors lost it in the same scan, and section is the most upstream of them.';
COMMENT ON COLUMN main.sheet_break.start_uncertain IS 'True: the loss itself was not seen (a data gap, or the first data).';
COMMENT ON COLUMN main.sheet_break.attempts IS 'Attempts at threading, the last one included; null for a break that the crew added.';
COMMENT ON COLUMN main.sheet_break.end_uncertain IS
    'True: a data gap lies in it, so its length is left out of duration statistics.';
COMMENT ON COLUMN main.sheet_break.unwitnessed IS
    'True: only the last detector lost the sheet, and nothing else confirms it.';
COMMENT ON COLUMN main.sheet_break.grade IS 'Grade being made at the loss; null: unknown.';
COMMENT ON COLUMN main.sheet_break.shade IS 'Shade being made at the loss; null: unknown or not given.';
COMMENT ON COLUMN main.sheet_break.reel IS 'Number of the reel being wound at the loss; null: unknown or not given.';
COMMENT ON COLUMN main.sheet_break.shift_date IS 'Mill-local day of the shift in which it began; null without a rota, or where it has no shift then.';
COMMENT ON COLUMN main.sheet_break.shift IS 'Shift in which it began; null without a rota, or where it has no shift then.';
COMMENT ON COLUMN main.sheet_break.crew IS 'Crew on duty when it began; null without a rota, or where it has no shift then.';
COMMENT ON COLUMN main.sheet_break.cause IS 'Cause code of the note that holds; null: not coded.';
COMMENT ON COLUMN main.sheet_break.certainty IS 'suspected, likely or confirmed, as the note that holds says; null: not coded, or not said.';
COMMENT ON COLUMN main.sheet_break.comment IS 'Comment of the note that holds; null: none.';
COMMENT ON COLUMN main.sheet_break.noted_by IS 'Who wrote the note that holds; null: not coded.';
COMMENT ON COLUMN main.sheet_break.noted_at IS 'When the note that holds was written; null: not coded.';
COMMENT ON COLUMN main.sheet_break.speed_before_m_min IS
    'Mean speed over the last 30 on-reel minutes of the grade run (what there is, if shorter); for a break that the crew added, of that clock hour; null: unknown. [m/min]';
COMMENT ON COLUMN main.sheet_break.rate_before_t_h IS
    'Mean rate over the last 30 on-reel minutes of the grade run (what there is, if shorter); for a break that the crew added, of that clock hour; null: unknown. [t/h]';
COMMENT ON COLUMN main.sheet_break.lost_t IS 'Paper not made: lost time x rate before; null while open or without a rate. [t]';
COMMENT ON COLUMN main.sheet_break.broke_t IS
    'Broke made: time with stock on and the sheet off the reel x rate before; null while open or without a rate. [t]';
COMMENT ON COLUMN main.sheet_break.on_reel_before_s IS
    'From the last return to the reel to the loss; null: that return was not seen, or a data gap lies between. [s]';
COMMENT ON COLUMN main.sheet_break.since_turn_up_s IS 'From the last turn-up to the loss; null: none was seen. [s]';
COMMENT ON COLUMN main.sheet_break.since_grade_change_s IS
    'From the last change of grade or shade to the loss; null: none was seen. [s]';
COMMENT ON COLUMN main.sheet_break.at_reel IS
    'True: the last detector was the first to lose the sheet; null for a break that the crew added.';
COMMENT ON COLUMN main.sheet_break.at_turn_up IS
    'True: lost at the reel within turn_up_window_s of a change of reel; null: no reel signal, the loss was not seen, or the crew added the break.';
COMMENT ON COLUMN main.sheet_break.secondary IS
    'True: a break sooner than secondary_within_min after the return to the reel; null: a break whose time on the reel is unknown; false for other kinds.';
COMMENT ON COLUMN main.sheet_break.found_kind IS 'Kind as the tracker found it; null for a break that the crew added.';
COMMENT ON COLUMN main.sheet_break.found_by IS 'tracker, or crew for a missed break added by a note.';
COMMENT ON COLUMN main.sheet_break.absorbed IS 'How many other downtimes were merged into it by notes.';

CREATE OR REPLACE VIEW main.threading_attempt AS
SELECT
    g.downtime_id, a.machine,
    row_number() OVER (PARTITION BY g.downtime_id ORDER BY a.started_at) AS attempt,
    a.started_at, a.ended_at, a.reached_section, a.outcome
FROM base.threading_attempt AS a
JOIN base.downtime_group AS g ON g.member_id = a.downtime_id AND g.machine = a.machine;
COMMENT ON VIEW main.threading_attempt IS
    'Each advance of the sheet during a downtime, up to its success or its next retreat.';
COMMENT ON COLUMN main.threading_attempt.downtime_id IS 'Downtime it belongs to.';
COMMENT ON COLUMN main.threading_attempt.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.threading_attempt.attempt IS 'Number within the downtime, from 1.';
COMMENT ON COLUMN main.threading_attempt.started_at IS 'The sheet began to advance.';
COMMENT ON COLUMN main.threading_attempt.ended_at IS 'Sheet back on the reel, lost again, or held; null: under way.';
COMMENT ON COLUMN main.threading_attempt.reached_section IS
    'Section of the last detector it got to; null: none, or under way.';
COMMENT ON COLUMN main.threading_attempt.outcome IS 'success, failed or held; null: under way.';

CREATE OR REPLACE VIEW main.downtime_alias AS
SELECT old_id, downtime_id FROM base.downtime_alias;
COMMENT ON VIEW main.downtime_alias IS 'Earlier ids of downtimes whose start a rebuild moved.';
COMMENT ON COLUMN main.downtime_alias.old_id IS 'Id it had.';
COMMENT ON COLUMN main.downtime_alias.downtime_id IS 'Id it has.';

CREATE OR REPLACE VIEW base.orphan_note AS
SELECT
    n.note_id,
    CASE
        WHEN n.kind = 'missed' AND (n.started_at IS NULL OR n.ended_at IS NULL OR n.ended_at <= n.started_at)
            THEN 'a missed break needs a start and a later end'
        WHEN n.kind = 'missed' AND m.note_id IS NULL
            THEN 'overlaps a downtime that was found, or a missed break of a newer note'
        WHEN n.kind = 'missed' THEN NULL
        WHEN s.downtime_id IS NULL THEN 'no such downtime'
        WHEN n.kind = 'kind' AND n.new_kind IS NULL THEN 'gives no kind'
        WHEN n.kind = 'merge' AND t.downtime_id IS NULL THEN 'no downtime to merge into'
        WHEN n.kind = 'merge' AND e.note_id IS NOT NULL AND s.downtime_id = s.member_id
            THEN 'cannot be merged: another downtime lies between, or merges go round in a ring'
    END AS reason
FROM base.live_note AS n
LEFT JOIN base.missed_downtime AS m ON m.note_id = n.note_id
LEFT JOIN base.downtime_group AS s ON s.machine = n.machine AND s.member_id = n.downtime_id
LEFT JOIN base.downtime_group AS t ON t.machine = n.machine AND t.member_id = n.merge_into
LEFT JOIN base.merge_edge AS e ON e.note_id = n.note_id
UNION ALL
SELECT w.note_id, 'withdraws a note that is not there, or is itself a withdrawal'
FROM base.note AS w
WHERE w.kind = 'withdrawal' AND NOT EXISTS (
    SELECT 1 FROM base.note AS n
    WHERE n.note_id = w.withdraws AND n.machine = w.machine AND n.kind <> 'withdrawal'
  );

CREATE OR REPLACE VIEW main.orphan_note AS
SELECT n.note_id, n.machine, n.kind, o.reason, n.downtime_id, n.cause, n.comment, n.noted_by, n.noted_at
FROM base.orphan_note AS o
JOIN base.note AS n ON n.note_id = o.note_id
WHERE o.reason IS NOT NULL;
COMMENT ON VIEW main.orphan_note IS 'Notes, not withdrawn, that change nothing as things stand, each with the reason.';
COMMENT ON COLUMN main.orphan_note.note_id IS 'Id of the note.';
COMMENT ON COLUMN main.orphan_note.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.orphan_note.kind IS 'cause, kind, missed, merge or withdrawal.';
COMMENT ON COLUMN main.orphan_note.reason IS 'Why it changes nothing.';
COMMENT ON COLUMN main.orphan_note.downtime_id IS 'Downtime it speaks of, as it was sent.';
COMMENT ON COLUMN main.orphan_note.cause IS 'Cause code it gives; null: none.';
COMMENT ON COLUMN main.orphan_note.comment IS 'Its comment; null: none.';
COMMENT ON COLUMN main.orphan_note.noted_by IS 'Who wrote it.';
COMMENT ON COLUMN main.orphan_note.noted_at IS 'When it was written.';

CREATE OR REPLACE VIEW main.note AS
SELECT
    n.note_id, n.machine, n.kind, n.downtime_id, n.cause, n.certainty, n.comment, n.noted_by, n.noted_at, n.received_at,
    n.new_kind, n.started_at, n.ended_at, n.section, n.merge_into, n.withdraws,
    n.kind <> 'withdrawal' AND l.note_id IS NULL AS withdrawn,
    CASE
        WHEN n.kind IN ('cause', 'kind') THEN h.note_id IS NOT NULL
        WHEN n.kind = 'missed' THEN m.note_id IS NOT NULL
        WHEN n.kind = 'merge' THEN e.note_id IS NOT NULL AND o.reason IS NULL
        ELSE o.note_id IS NULL
    END AS holds
FROM base.note AS n
LEFT JOIN base.live_note AS l ON l.note_id = n.note_id
LEFT JOIN base.holding_note AS h ON h.note_id = n.note_id
LEFT JOIN base.missed_downtime AS m ON m.note_id = n.note_id
LEFT JOIN base.merge_edge AS e ON e.note_id = n.note_id
LEFT JOIN base.orphan_note AS o ON o.note_id = n.note_id AND o.reason IS NOT NULL;
COMMENT ON VIEW main.note IS 'Every note the crew ever sent. Of several, the newest by noted_at, then by receipt, holds.';
COMMENT ON COLUMN main.note.note_id IS 'Id that the sender gave it.';
COMMENT ON COLUMN main.note.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.note.kind IS
    'cause, kind (corrects the kind), missed (adds a break), merge (of two downtimes) or withdrawal (of an earlier note).';
COMMENT ON COLUMN main.note.downtime_id IS 'Downtime it speaks of, as it was sent; null for a missed break.';
COMMENT ON COLUMN main.note.cause IS 'Cause code; null: it gives none.';
COMMENT ON COLUMN main.note.certainty IS 'suspected, likely or confirmed; null: not said.';
COMMENT ON COLUMN main.note.comment IS 'Comment; null: none.';
COMMENT ON COLUMN main.note.noted_by IS 'Who wrote it.';
COMMENT ON COLUMN main.note.noted_at IS 'When it was written.';
COMMENT ON COLUMN main.note.received_at IS 'When the collector received it.';
COMMENT ON COLUMN main.note.new_kind IS 'Corrected kind, of a kind note; else null.';
COMMENT ON COLUMN main.note.started_at IS 'Loss of the sheet, of a missed break; else null.';
COMMENT ON COLUMN main.note.ended_at IS 'Sheet back on the reel, of a missed break; else null.';
COMMENT ON COLUMN main.note.section IS 'Section where the sheet was lost, of a missed break; null: not given.';
COMMENT ON COLUMN main.note.merge_into IS 'Downtime that absorbs this one, of a merge note; else null.';
COMMENT ON COLUMN main.note.withdraws IS 'Id of the note that it takes back, of a withdrawal; else null.';
COMMENT ON COLUMN main.note.withdrawn IS 'True: a later note took it back.';
COMMENT ON COLUMN main.note.holds IS 'True: this is the note that downtime shows or follows.';

CREATE OR REPLACE VIEW main.clothing AS
WITH newest AS (
    SELECT machine, position, installed_at, comment, noted_by, withdrawn
    FROM base.clothing
    QUALIFY row_number() OVER (PARTITION BY machine, position, installed_at ORDER BY receipt DESC) = 1
)
SELECT
    machine, position, installed_at,
    lead(installed_at) OVER (PARTITION BY machine, position ORDER BY installed_at) AS removed_at,
    comment, noted_by
FROM newest
WHERE NOT withdrawn;
COMMENT ON VIEW main.clothing IS 'Fabrics and felts, from their installation to the next one at the same position.';
COMMENT ON COLUMN main.clothing.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.clothing.position IS 'Where it runs, such as pickup felt.';
COMMENT ON COLUMN main.clothing.installed_at IS 'When it was put in.';
COMMENT ON COLUMN main.clothing.removed_at IS 'When the next one was put in; null: still running.';
COMMENT ON COLUMN main.clothing.comment IS 'Comment; null: none.';
COMMENT ON COLUMN main.clothing.noted_by IS 'Who reported it.';

CREATE OR REPLACE VIEW main.lab AS
SELECT
    machine, sampled_at, test, value, unit, reel, received_at, withdrawn,
    row_number() OVER (PARTITION BY machine, sampled_at, test, reel ORDER BY receipt DESC) = 1 AND NOT withdrawn AS holds
FROM base.lab;
COMMENT ON VIEW main.lab IS 'Laboratory results: every one ever sent; one sent again with another value corrects the earlier.';
COMMENT ON COLUMN main.lab.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.lab.sampled_at IS 'When the sample was taken.';
COMMENT ON COLUMN main.lab.test IS 'What was tested.';
COMMENT ON COLUMN main.lab.value IS 'Result, in its unit.';
COMMENT ON COLUMN main.lab.unit IS 'Unit of the result; null: not given.';
COMMENT ON COLUMN main.lab.reel IS 'Reel it was taken from; null: not given.';
COMMENT ON COLUMN main.lab.received_at IS 'When the collector received it.';
COMMENT ON COLUMN main.lab.withdrawn IS 'True: sent to take back what was sent before under this key.';
COMMENT ON COLUMN main.lab.holds IS 'True: the newest of its machine, time, test and reel, and not withdrawn.';

CREATE OR REPLACE VIEW main.grade_order AS
SELECT
    machine, order_id, ordered_at, grade, shade, basis_weight_g_m2, tonnes_t, received_at, withdrawn,
    row_number() OVER (PARTITION BY machine, order_id ORDER BY ordered_at DESC, receipt DESC) = 1
        AND NOT withdrawn AS holds
FROM base.grade_order;
COMMENT ON VIEW main.grade_order IS 'Orders of grades: every one ever sent; one sent again under its id replaces the earlier.';
COMMENT ON COLUMN main.grade_order.machine IS 'Id of the machine.';
COMMENT ON COLUMN main.grade_order.order_id IS 'Id of the order.';
COMMENT ON COLUMN main.grade_order.ordered_at IS 'Time of the order, as sent.';
COMMENT ON COLUMN main.grade_order.grade IS 'Grade to be made.';
COMMENT ON COLUMN main.grade_order.shade IS 'Shade; null: not given.';
COMMENT ON COLUMN main.grade_order.basis_weight_g_m2 IS 'Basis weight ordered; null: not given. [g/m2]';
COMMENT ON COLUMN main.grade_order.tonnes_t IS 'How much was ordered; null: not given. [t]';
COMMENT ON COLUMN main.grade_order.received_at IS 'When the collector received it.';
COMMENT ON COLUMN main.grade_order.withdrawn IS 'True: sent to take back the order of this id.';
COMMENT ON COLUMN main.grade_order.holds IS 'True: the newest of its machine and id, and not withdrawn.';

-- ======================================================================================= the collector itself

CREATE OR REPLACE VIEW main.collector_run AS
SELECT run, version, started_at, ended_at, ended_cleanly, counts FROM base.collector_run;
COMMENT ON VIEW main.collector_run IS 'Every run of the collector, so that a silence can be explained.';
COMMENT ON COLUMN main.collector_run.run IS 'Number, from 1.';
COMMENT ON COLUMN main.collector_run.version IS 'Version of Breakhorn.';
COMMENT ON COLUMN main.collector_run.started_at IS 'Start.';
COMMENT ON COLUMN main.collector_run.ended_at IS 'End; null: still running, or killed.';
COMMENT ON COLUMN main.collector_run.ended_cleanly IS 'True: it was told to stop and committed all it had.';
COMMENT ON COLUMN main.collector_run.counts IS 'What it has counted, as JSON: renewed at each publish, whole once it has ended; null at its very beginning.';

CREATE OR REPLACE VIEW main.rejected_message AS
SELECT received_at, topic, reason, payload, size_bytes FROM base.rejected_message;
COMMENT ON VIEW main.rejected_message IS
    'Messages, or parts of them, that could not be used; at most 1,000 a day are kept (message_count counts all).';
COMMENT ON COLUMN main.rejected_message.received_at IS 'When it was received.';
COMMENT ON COLUMN main.rejected_message.topic IS 'Topic it came on; machine and tag for a value beyond the limit of tags.';
COMMENT ON COLUMN main.rejected_message.reason IS 'Why it could not be used, and what to do.';
COMMENT ON COLUMN main.rejected_message.payload IS 'The first 4,096 bytes of it.';
COMMENT ON COLUMN main.rejected_message.size_bytes IS 'Its whole size. [bytes]';

CREATE OR REPLACE VIEW main.message_count AS
SELECT
    machine, day, CAST(0 AS BIGINT) AS messages, CAST(sum(scans) AS BIGINT) AS scans,
    CAST(sum(samples) AS BIGINT) AS samples, CAST(sum(repeated) AS BIGINT) AS repeated,
    CAST(sum(replaced) AS BIGINT) AS replaced, CAST(sum(late) AS BIGINT) AS late,
    CAST(sum(out_of_range) AS BIGINT) AS out_of_range, CAST(sum(bad) AS BIGINT) AS bad, CAST(0 AS BIGINT) AS rejected
FROM base.message_count
WHERE machine <> ''
GROUP BY machine, day
UNION ALL
SELECT NULL, day, CAST(sum(messages) AS BIGINT), 0, 0, 0, 0, 0, 0, 0, CAST(sum(rejected) AS BIGINT)
FROM base.message_count
GROUP BY day
HAVING sum(messages) + sum(rejected) > 0;
COMMENT ON VIEW main.message_count IS 'What was received, by machine and day of receipt.';
COMMENT ON COLUMN main.message_count.machine IS 'Id of the machine; null: the row of what belongs to none.';
COMMENT ON COLUMN main.message_count.day IS 'Mill-local day of receipt.';
COMMENT ON COLUMN main.message_count.messages IS 'Messages; all of them are counted in the row without machine.';
COMMENT ON COLUMN main.message_count.scans IS 'Scans, or parts of them.';
COMMENT ON COLUMN main.message_count.samples IS 'Samples whose machine, tag and time were new.';
COMMENT ON COLUMN main.message_count.repeated IS 'Samples that were there already, with the same value: dropped.';
COMMENT ON COLUMN main.message_count.replaced IS 'Samples that were there with another value: the later received holds.';
COMMENT ON COLUMN main.message_count.late IS 'Values of role tags behind the watermark: stored, not used until a rebuild.';
COMMENT ON COLUMN main.message_count.out_of_range IS 'Samples outside their plausible range, of those stored.';
COMMENT ON COLUMN main.message_count.bad IS 'Samples of bad quality, of those stored.';
COMMENT ON COLUMN main.message_count.rejected IS 'Messages, or parts of them, that could not be used; counted in the row without machine.';

CREATE OR REPLACE VIEW main.published AS
SELECT published_at, data_to FROM base.published;
COMMENT ON VIEW main.published IS 'How fresh this file is: one row.';
COMMENT ON COLUMN main.published.published_at IS 'When the collector wrote it.';
COMMENT ON COLUMN main.published.data_to IS 'The newest time of any sample in it, those timed on arrival included, of whatever machine; null: no data yet. How far the data of one machine reach says machine.last_at.';

-- ======================================================================================= macros

-- What is asked for is named first, where nothing of the macro's own is in sight: an argument such as d.downtime_id or
-- machine would otherwise mean the macro's table of that name, and every row would silently get the same answer.
CREATE OR REPLACE MACRO main.samples_around(id, before, after) AS TABLE
WITH asked AS (
    SELECT id AS asked_id, before AS asked_before, after AS asked_after
),
loss AS (
    SELECT
        d.downtime_id, d.machine, d.started_at,
        d.started_at - a.asked_before AS from_at, d.started_at + a.asked_after AS to_at
    FROM asked AS a
    JOIN main.downtime AS d ON d.downtime_id = a.asked_id
),
hour AS (
    SELECT *, unnest(generate_series(
        epoch_ms(from_at) // 3600000, epoch_ms(to_at) // 3600000)) AS hour_no
    FROM loss
)
SELECT
    h.downtime_id, s.machine, s.tag, s.sampled_at,
    (epoch_ms(s.sampled_at) - epoch_ms(h.started_at)) / 1000.0 AS offset_s,
    s.value, s.flags
FROM main.sample AS s
JOIN hour AS h ON h.machine = s.machine AND h.hour_no = epoch_ms(s.sampled_at) // 3600000
WHERE s.sampled_at BETWEEN h.from_at AND h.to_at;
COMMENT ON MACRO TABLE main.samples_around IS
    'samples_around(id, before, after): the samples of a machine around a loss; before and after are intervals. offset_s is the time since the loss, negative before it. [s]';

CREATE OR REPLACE MACRO main.on_reel_hours(of_machine, from_at, to_at) AS (
    SELECT CASE
        WHEN asked_from IS NOT NULL AND asked_to IS NOT NULL AND asked_machine IN (SELECT m.machine FROM main.machine AS m)
            THEN (
                SELECT coalesce(sum(greatest(
                    0,
                    epoch_ms(least(coalesce(s.ended_at, h.last_at), asked_to)) - epoch_ms(greatest(s.started_at, asked_from))
                )), 0) / 3600000.0
                FROM main.machine_state AS s
                JOIN main.machine AS h ON h.machine = s.machine
                WHERE s.machine = asked_machine AND s.state = 'on_reel'
            )
    END
    FROM (SELECT of_machine AS asked_machine, from_at AS asked_from, to_at AS asked_to)
);
COMMENT ON MACRO main.on_reel_hours IS
    'on_reel_hours(of_machine, from_at, to_at): time with the sheet on the reel between two instants, up to the data horizon; null: no such machine, or an instant is null. [h]';
