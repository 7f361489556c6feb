-- The ledger of an archive: what was read, what was found, what to ask about.
-- Times are the recorders' local wall clock, 2026-03-04T07:26:10; dates 2026-03-04.
-- Temperatures are in the chart's own unit, charts.unit.

-- One row a file (two halves of one chart are one), with what its result was made from.
CREATE TABLE scans (
	name    TEXT PRIMARY KEY,  -- folder and file name without the ending
	file    TEXT NOT NULL,     -- absolute path
	sha256  TEXT NOT NULL,     -- of the file
	inputs  TEXT NOT NULL,     -- SHA-256 over the plant file, forms, rules and options
	entries TEXT NOT NULL,     -- SHA-256 over what is written on its charts
	version TEXT NOT NULL,     -- of penarm
	done    TEXT NOT NULL,     -- when, UTC
	seconds REAL NOT NULL,     -- the work on it
	gone    INTEGER NOT NULL DEFAULT 0  -- 1: the file is no longer there
) STRICT;

-- One row a chart. verdict: pass, fail, undecided or unread.
CREATE TABLE charts (
	name       TEXT PRIMARY KEY,   -- its folder under charts/
	scan       TEXT NOT NULL REFERENCES scans(name) ON DELETE CASCADE,
	page       INTEGER NOT NULL,
	verdict    TEXT NOT NULL,
	reason     TEXT NOT NULL,      -- what decided
	plant      TEXT NOT NULL,
	recorder   TEXT NOT NULL,      -- empty: not known
	vat        TEXT NOT NULL,
	form       TEXT NOT NULL,
	rules      TEXT NOT NULL,
	unit       TEXT NOT NULL,
	operator   TEXT NOT NULL,
	chart_date TEXT NOT NULL,      -- as written
	hour       TEXT NOT NULL,      -- where the clock times come from: blank, numerals, mark or on_chart
	trace_from TEXT NOT NULL,      -- first and last of the product pen's line
	trace_to   TEXT NOT NULL,
	cooling_minutes REAL,          -- from the end of the last hold to 40 °F (22.2 °C) lower; NULL: not seen
	trace      BLOB NOT NULL,      -- product pen, one value a minute from the first whole minute: tenths of °F, int16 little-endian, -32768 no ink
	thumbnail  BLOB NOT NULL       -- JPEG of the scan
) STRICT;
CREATE INDEX charts_scan ON charts(scan);
CREATE INDEX charts_recorder ON charts(recorder, chart_date);
CREATE INDEX charts_verdict ON charts(verdict, chart_date);

-- One row a batch.
CREATE TABLE batches (
	chart    TEXT NOT NULL REFERENCES charts(name) ON DELETE CASCADE,
	position INTEGER NOT NULL,     -- on the chart, from 1
	batch    TEXT NOT NULL,
	product  TEXT NOT NULL,
	legal_temperature REAL NOT NULL,
	verdict  TEXT NOT NULL,
	PRIMARY KEY (chart, position)
) STRICT, WITHOUT ROWID;

-- One row a hold. Uncertainties are standard (k = 1).
CREATE TABLE holds (
	chart     TEXT NOT NULL REFERENCES charts(name) ON DELETE CASCADE,
	position  INTEGER NOT NULL,    -- of its batch
	starts    TEXT NOT NULL,
	ends      TEXT NOT NULL,
	minutes   REAL NOT NULL,
	u_minutes REAL NOT NULL,
	lowest    REAL NOT NULL,
	u_lowest  REAL NOT NULL,
	PRIMARY KEY (chart, position)
) STRICT, WITHOUT ROWID;

-- One row a check; position 0: of the chart, else of that batch.
CREATE TABLE checks (
	chart    TEXT NOT NULL REFERENCES charts(name) ON DELETE CASCADE,
	position INTEGER NOT NULL,
	"check"  TEXT NOT NULL,
	verdict  TEXT NOT NULL,
	measured REAL,
	"limit"  REAL,
	u        REAL,
	unit     TEXT NOT NULL,
	counts   INTEGER NOT NULL,     -- 0: information only
	source   TEXT NOT NULL,
	reason   TEXT NOT NULL
) STRICT;
CREATE INDEX checks_chart ON checks(chart);
CREATE INDEX checks_check ON checks("check", verdict);

-- One row a written reading.
CREATE TABLE readings (
	chart    TEXT NOT NULL REFERENCES charts(name) ON DELETE CASCADE,
	position INTEGER NOT NULL,     -- of its batch
	kind     TEXT NOT NULL,        -- indicating or airspace
	at       TEXT NOT NULL,
	reads    REAL NOT NULL,
	recorded REAL                  -- the pen at that time; NULL: no ink, or the hours are not known
) STRICT;
CREATE INDEX readings_chart ON readings(chart);

-- One row a scan or chart that could not be read: name is the chart's.
CREATE TABLE errors (
	chart  TEXT PRIMARY KEY REFERENCES charts(name) ON DELETE CASCADE,
	place  TEXT NOT NULL,
	reason TEXT NOT NULL,
	remedy TEXT NOT NULL
) STRICT;

-- What the plant files of the runs said.
CREATE TABLE plants (
	plant     TEXT PRIMARY KEY,
	file      TEXT NOT NULL,
	rules     TEXT NOT NULL,
	retention_months REAL,          -- how long the rule set has charts kept; NULL: not said
	retention_source TEXT NOT NULL,
	clock_months REAL,              -- how often it has the clock tested; NULL: not said
	clock_source TEXT NOT NULL
) STRICT;
CREATE TABLE recorders (
	plant      TEXT NOT NULL REFERENCES plants(plant) ON DELETE CASCADE,
	recorder   TEXT NOT NULL,
	vat        TEXT NOT NULL,
	clock_date TEXT NOT NULL,       -- last test of the clock; empty: none
	PRIMARY KEY (plant, recorder)
) STRICT, WITHOUT ROWID;

-- What no single chart shows, as of the end of the last run. charts: JSON list of names.
CREATE TABLE questions (
	position INTEGER PRIMARY KEY,
	kind     TEXT NOT NULL,
	plant    TEXT NOT NULL,
	subject  TEXT NOT NULL,
	question TEXT NOT NULL,
	evidence TEXT NOT NULL,
	charts   TEXT NOT NULL
) STRICT;
