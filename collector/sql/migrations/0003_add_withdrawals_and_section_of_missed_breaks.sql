-- A row that was sent by mistake, as with a wrong date, can be taken back by sending it again with "withdrawn".
ALTER TABLE base.clothing ADD COLUMN withdrawn BOOLEAN DEFAULT FALSE;
ALTER TABLE base.lab ADD COLUMN withdrawn BOOLEAN DEFAULT FALSE;
ALTER TABLE base.grade_order ADD COLUMN withdrawn BOOLEAN DEFAULT FALSE;

-- Where a break was lost that the tracker missed and the crew added.
ALTER TABLE base.note ADD COLUMN section VARCHAR;
