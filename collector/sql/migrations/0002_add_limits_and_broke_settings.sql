-- Limits of quality, target speed, loss table and broke: settings, which every opening fills anew from mill.toml.
ALTER TABLE base.machine ADD COLUMN at_speed_within_pct DOUBLE;
ALTER TABLE base.machine ADD COLUMN settled_s DOUBLE;
ALTER TABLE base.machine ADD COLUMN reel_moisture_pct DOUBLE;
ALTER TABLE base.machine ADD COLUMN added_g_m2 DOUBLE;
ALTER TABLE base.machine ADD COLUMN added_from VARCHAR;
ALTER TABLE base.grade ADD COLUMN basis_weight_within_pct DOUBLE;
ALTER TABLE base.cause ADD COLUMN loss VARCHAR;
ALTER TABLE base.broke_tower ADD COLUMN returned_tag VARCHAR;
ALTER TABLE base.broke_tower ADD COLUMN spilled_tag VARCHAR;
ALTER TABLE base.broke_tower ADD COLUMN consistency_pct DOUBLE;
ALTER TABLE base.broke_tower ADD COLUMN machine VARCHAR;
ALTER TABLE base.broke_tower ADD COLUMN dosed_into VARCHAR[];
