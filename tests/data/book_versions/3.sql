ALTER TABLE original ADD COLUMN lab_l REAL;
ALTER TABLE original ADD COLUMN lab_a REAL;
ALTER TABLE original ADD COLUMN lab_b REAL;
ALTER TABLE packet ADD COLUMN lab_l REAL;
ALTER TABLE packet ADD COLUMN lab_a REAL;
ALTER TABLE packet ADD COLUMN lab_b REAL;
CREATE INDEX original_lab ON original (removed, lab_l, lab_a, lab_b);
CREATE INDEX packet_lab ON packet (removed, lab_l, lab_a, lab_b, grams);
