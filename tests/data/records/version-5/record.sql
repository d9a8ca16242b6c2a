BEGIN TRANSACTION;
CREATE TABLE cases (
	number INTEGER NOT NULL, 
	id TEXT NOT NULL, 
	tree TEXT NOT NULL, 
	tree_hash TEXT NOT NULL, 
	family TEXT NOT NULL, 
	model TEXT NOT NULL, 
	serial TEXT NOT NULL, 
	tag TEXT NOT NULL, 
	modules TEXT NOT NULL, 
	unit TEXT NOT NULL, 
	complaint TEXT NOT NULL, 
	owner_words TEXT NOT NULL, 
	who TEXT NOT NULL, 
	opened TEXT NOT NULL, 
	updated TEXT NOT NULL, 
	state TEXT NOT NULL, 
	closed TEXT, 
	result TEXT NOT NULL, 
	fault TEXT NOT NULL, 
	became TEXT NOT NULL, 
	kept TEXT NOT NULL, 
	minutes FLOAT NOT NULL, 
	steps INTEGER NOT NULL, 
	events INTEGER NOT NULL, 
	step TEXT NOT NULL, 
	linked TEXT NOT NULL, 
	scripted BOOLEAN NOT NULL, 
	came_back TEXT DEFAULT '' NOT NULL, 
	PRIMARY KEY (number), 
	UNIQUE (id)
);
INSERT INTO "cases" VALUES(1,'019c4b2c-4180-7000-8000-000000000001','bench-supply/no-output','3f7e71ac8917ed54025eae0641efc89db016ab75b39d71de39f967d3793949cb','bench-supply','two-channel','tag 14','','','{"family":"bench-supply","model":"two-channel","serial":"tag 14"}','no output','','','2026-02-11T00:00:00.000Z','2026-02-11T00:04:00.000Z','closed','2026-02-11T00:04:00.000Z','unsolved','','waiting','',0.0,1,5,'fuse','',0,'');
CREATE TABLE confirmed (
	tree_hash TEXT NOT NULL, 
	family TEXT NOT NULL, 
	fault TEXT NOT NULL, 
	cases INTEGER NOT NULL, 
	PRIMARY KEY (tree_hash, family, fault)
)
 WITHOUT ROWID

;
CREATE TABLE events (
	number INTEGER NOT NULL, 
	sequence INTEGER NOT NULL, 
	writer TEXT NOT NULL, 
	event TEXT NOT NULL, 
	PRIMARY KEY (number, sequence), 
	FOREIGN KEY(number) REFERENCES cases (number)
)
 WITHOUT ROWID

;
INSERT INTO "events" VALUES(1,0,'5a17ed01','{"kind":"opened","at":"2026-02-11T00:00:00.000Z","tree":"bench-supply/no-output","tree_hash":"3f7e71ac8917ed54025eae0641efc89db016ab75b39d71de39f967d3793949cb","unit":{"family":"bench-supply","model":"two-channel","serial":"tag 14"},"complaint":"no output","scripted":false}');
INSERT INTO "events" VALUES(1,1,'5a17ed01','{"kind":"answered","at":"2026-02-11T00:01:00.000Z","reply":"tablet-1","step":"fuse","outcome":"intact"}');
INSERT INTO "events" VALUES(1,2,'5a17ed01','{"kind":"photo-added","at":"2026-02-11T00:02:00.000Z","path":"photos/board.jpg","sha256":"abababababababababababababababababababababababababababababababab","step":"fuse"}');
INSERT INTO "events" VALUES(1,3,'5a17ed01','{"kind":"noted","at":"2026-02-11T00:03:00.000Z","text":"the photo shows the fuse","step":"fuse"}');
INSERT INTO "events" VALUES(1,4,'5a17ed01','{"kind":"closed","at":"2026-02-11T00:04:00.000Z","result":"unsolved","became":"waiting"}');
CREATE TABLE record (
	"key" TEXT NOT NULL, 
	value TEXT NOT NULL, 
	PRIMARY KEY ("key")
);
INSERT INTO "record" VALUES('id','00000000000000000000000000000002');
INSERT INTO "record" VALUES('schema','5');
CREATE TABLE steps (
	number INTEGER NOT NULL, 
	sequence INTEGER NOT NULL, 
	step TEXT NOT NULL, 
	outcome TEXT NOT NULL, 
	at TEXT NOT NULL, 
	standing BOOLEAN NOT NULL, 
	skipped BOOLEAN NOT NULL, 
	round INTEGER NOT NULL, 
	minutes FLOAT, 
	value FLOAT, 
	unit TEXT NOT NULL, 
	instrument TEXT NOT NULL, 
	PRIMARY KEY (number, sequence), 
	FOREIGN KEY(number) REFERENCES cases (number)
)
 WITHOUT ROWID

;
INSERT INTO "steps" VALUES(1,1,'fuse','intact','2026-02-11T00:01:00.000Z',1,0,0,NULL,NULL,'','');
CREATE TABLE trees (
	hash TEXT NOT NULL, 
	text TEXT NOT NULL, 
	PRIMARY KEY (hash)
);
INSERT INTO "trees" VALUES('3f7e71ac8917ed54025eae0641efc89db016ab75b39d71de39f967d3793949cb','{"id":"bench-supply/no-output"}');
CREATE TABLE words (
	word TEXT NOT NULL, 
	number INTEGER NOT NULL, 
	PRIMARY KEY (word, number), 
	FOREIGN KEY(number) REFERENCES cases (number)
)
 WITHOUT ROWID

;
INSERT INTO "words" VALUES('14',1);
INSERT INTO "words" VALUES('bench',1);
INSERT INTO "words" VALUES('channel',1);
INSERT INTO "words" VALUES('fuse',1);
INSERT INTO "words" VALUES('no',1);
INSERT INTO "words" VALUES('output',1);
INSERT INTO "words" VALUES('photo',1);
INSERT INTO "words" VALUES('shows',1);
INSERT INTO "words" VALUES('supply',1);
INSERT INTO "words" VALUES('tag',1);
INSERT INTO "words" VALUES('the',1);
INSERT INTO "words" VALUES('two',1);
INSERT INTO "words" VALUES('unsolved',1);
INSERT INTO "words" VALUES('waiting',1);
CREATE INDEX cases_by_fault ON cases (fault, number);
CREATE INDEX cases_by_serial ON cases (serial, number);
CREATE INDEX cases_by_who ON cases (who, number);
CREATE INDEX cases_by_state ON cases (state, number);
CREATE INDEX cases_by_tree ON cases (tree, number);
CREATE INDEX cases_by_result ON cases (result, number);
CREATE INDEX cases_by_family ON cases (family, number);
CREATE INDEX cases_by_tag ON cases (tag, number);
CREATE INDEX cases_by_became ON cases (became, number);
CREATE INDEX cases_by_opened ON cases (opened);
CREATE INDEX cases_by_model ON cases (model, number);
CREATE INDEX cases_come_back ON cases (number) WHERE came_back <> '';
CREATE TRIGGER events_update_never BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END;
CREATE TRIGGER events_delete_never BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'events are only ever added'); END;
CREATE TRIGGER trees_update_never BEFORE UPDATE ON trees BEGIN SELECT RAISE(ABORT, 'trees are only ever added'); END;
CREATE TRIGGER trees_delete_never BEFORE DELETE ON trees BEGIN SELECT RAISE(ABORT, 'trees are only ever added'); END;
CREATE TRIGGER confirmed_first AFTER INSERT ON cases WHEN NEW.result = 'fixed' AND NEW.fault <> '' AND NEW.came_back = '' BEGIN INSERT INTO confirmed VALUES (NEW.tree_hash, NEW.family, NEW.fault, 1) ON CONFLICT (tree_hash, family, fault) DO UPDATE SET cases = confirmed.cases + 1; END;
CREATE TRIGGER confirmed_more AFTER UPDATE OF result, fault, came_back ON cases WHEN NEW.result = 'fixed' AND NEW.fault <> '' AND NEW.came_back = '' BEGIN INSERT INTO confirmed VALUES (NEW.tree_hash, NEW.family, NEW.fault, 1) ON CONFLICT (tree_hash, family, fault) DO UPDATE SET cases = confirmed.cases + 1; END;
CREATE TRIGGER confirmed_less AFTER UPDATE OF result, fault, came_back ON cases WHEN OLD.result = 'fixed' AND OLD.fault <> '' AND OLD.came_back = '' BEGIN UPDATE confirmed SET cases = cases - 1 WHERE tree_hash = OLD.tree_hash AND family = OLD.family AND fault = OLD.fault; END;
COMMIT;
PRAGMA user_version = 5;
