CREATE TABLE horse (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE COLLATE NOCASE
) STRICT;
CREATE TABLE tool (
  id INTEGER PRIMARY KEY,
  kind TEXT NOT NULL CHECK (kind IN ('saddle', 'pad')),
  name TEXT NOT NULL,
  sha256 TEXT NOT NULL,
  UNIQUE (kind, name, sha256)
) STRICT;
CREATE TABLE visit (
  id INTEGER PRIMARY KEY,
  mark TEXT NOT NULL UNIQUE,
  horse INTEGER NOT NULL REFERENCES horse (id),
  day TEXT NOT NULL CHECK (day GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]'),
  saddle INTEGER REFERENCES tool (id),
  pad INTEGER REFERENCES tool (id),
  verdict TEXT,
  sentence TEXT,
  setup TEXT,
  share REAL,
  made_by TEXT NOT NULL
) STRICT;
CREATE INDEX visit_of_horse ON visit (horse, day);
CREATE TABLE file (
  visit INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
  role TEXT NOT NULL,
  path TEXT NOT NULL,
  sha256 TEXT NOT NULL,
  size INTEGER NOT NULL,
  PRIMARY KEY (visit, role, path)
) STRICT;
CREATE TABLE tried (
  visit INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
  position INTEGER NOT NULL,
  setup TEXT NOT NULL,
  why TEXT NOT NULL,
  PRIMARY KEY (visit, position)
) STRICT;
CREATE TABLE look (
  visit INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
  position INTEGER NOT NULL,
  day TEXT NOT NULL,
  what TEXT NOT NULL,
  PRIMARY KEY (visit, position)
) STRICT;
CREATE TABLE hand (
  visit INTEGER NOT NULL REFERENCES visit (id) ON DELETE CASCADE,
  position INTEGER NOT NULL,
  state TEXT NOT NULL,
  place TEXT NOT NULL,
  side TEXT NOT NULL,
  feel TEXT NOT NULL,
  gap_mm REAL,
  sd_mm REAL,
  was_right INTEGER CHECK (was_right IN (0, 1)),
  PRIMARY KEY (visit, position)
) STRICT;
CREATE TABLE note (
  id INTEGER PRIMARY KEY,
  mark TEXT NOT NULL UNIQUE,
  horse INTEGER NOT NULL REFERENCES horse (id),
  day TEXT NOT NULL,
  text TEXT NOT NULL
) STRICT;
