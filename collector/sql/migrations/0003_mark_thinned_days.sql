-- Days whose rows were thinned are marked, so that they are thinned once.

ALTER TABLE base.part ADD COLUMN thinned BOOLEAN DEFAULT FALSE;
