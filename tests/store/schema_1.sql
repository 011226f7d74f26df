BEGIN TRANSACTION;
CREATE TABLE deliveries (
	id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	notice_id TEXT NOT NULL, 
	target TEXT NOT NULL, 
	thread TEXT NOT NULL, 
	state TEXT NOT NULL, 
	attempts INTEGER NOT NULL, 
	next_try TEXT NOT NULL, 
	expires_at TEXT NOT NULL, 
	owner TEXT, 
	lease_until TEXT, 
	settled_at TEXT, 
	note TEXT NOT NULL, 
	UNIQUE (notice_id, target), 
	FOREIGN KEY(notice_id) REFERENCES notices (id)
);
INSERT INTO "deliveries" VALUES(1,'ntc_6d2bccc79f2903ad1ffa0be138d278ef','hook','trip-1','done',1,'2026-01-05T12:00:00.000000Z','2026-01-06T00:00:00.000000Z',NULL,NULL,'2026-01-05T12:00:00.000000Z','');
INSERT INTO "deliveries" VALUES(2,'ntc_4fb89e085635dd1c10d80c04cfb4c561','hook','trip-1','waiting',0,'2026-01-05T12:00:00.000000Z','2026-01-06T00:00:00.000000Z',NULL,NULL,NULL,'');
INSERT INTO "deliveries" VALUES(3,'ntc_6d019bc5d5c0cc3b38eb55882d91f60c','hook','ntc_6d019bc5d5c0cc3b38eb55882d91f60c','waiting',0,'2026-01-05T12:00:00.000000Z','2026-01-06T00:00:00.000000Z',NULL,NULL,NULL,'');
INSERT INTO "deliveries" VALUES(4,'ntc_6d019bc5d5c0cc3b38eb55882d91f60c','spool','ntc_6d019bc5d5c0cc3b38eb55882d91f60c','waiting',0,'2026-01-05T12:00:00.000000Z','2026-01-06T00:00:00.000000Z',NULL,NULL,NULL,'');
CREATE TABLE events (
	id TEXT NOT NULL, 
	trip_id TEXT, 
	kind TEXT NOT NULL, 
	at TEXT NOT NULL, 
	body TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(trip_id) REFERENCES trips (id)
);
INSERT INTO "events" VALUES('evt_1','trip-1','position','2026-01-05T12:00:00.000000Z','{"n":1}');
INSERT INTO "events" VALUES('closure_x',NULL,'closure','2026-01-05T12:00:00.000000Z','{"id":"x"}');
CREATE TABLE meta (
	"key" TEXT NOT NULL, 
	value TEXT NOT NULL, 
	PRIMARY KEY ("key")
);
INSERT INTO "meta" VALUES('schema_version','1');
CREATE TABLE notices (
	id TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	audience TEXT NOT NULL, 
	trip_id TEXT, 
	plan_id TEXT, 
	created_at TEXT NOT NULL, 
	expires_at TEXT NOT NULL, 
	text TEXT NOT NULL, 
	body TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(trip_id) REFERENCES trips (id), 
	FOREIGN KEY(plan_id) REFERENCES plans (id)
);
INSERT INTO "notices" VALUES('ntc_6d2bccc79f2903ad1ffa0be138d278ef','plan','fleet','trip-1','plan-1','2026-01-05T12:00:00.000000Z','2026-01-06T00:00:00.000000Z','chain at Larch Lot ❄','{"said":"chain at Larch Lot ❄"}');
INSERT INTO "notices" VALUES('ntc_4fb89e085635dd1c10d80c04cfb4c561','plan','fleet','trip-1','plan-1','2026-01-05T12:00:00.000000Z','2026-01-06T00:00:00.000000Z','chains off','{"said":"chains off"}');
INSERT INTO "notices" VALUES('ntc_6d019bc5d5c0cc3b38eb55882d91f60c','plan','fleet',NULL,NULL,'2026-01-05T12:00:00.000000Z','2026-01-06T00:00:00.000000Z','brief','{"said":"brief"}');
CREATE TABLE plans (
	id TEXT NOT NULL, 
	trip_id TEXT NOT NULL, 
	made_at TEXT NOT NULL, 
	body TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(trip_id) REFERENCES trips (id)
);
INSERT INTO "plans" VALUES('plan-1','trip-1','2026-01-05T12:00:00.000000Z','{"n":1}');
CREATE TABLE slots (
	kind TEXT NOT NULL, 
	fleet TEXT NOT NULL, 
	local_date TEXT NOT NULL, 
	filled_at TEXT NOT NULL, 
	PRIMARY KEY (kind, fleet, local_date)
);
INSERT INTO "slots" VALUES('brief','north','2026-01-05','2026-01-05T12:00:00.000000Z');
CREATE TABLE trips (
	id TEXT NOT NULL, 
	created_at TEXT NOT NULL, 
	cancelled BOOLEAN NOT NULL, 
	body TEXT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "trips" VALUES('trip-1','2026-01-05T12:00:00.000000Z',0,'{"rig":"van"}');
INSERT INTO "trips" VALUES('trip-2','2026-01-05T12:00:00.000000Z',1,'{"rig":"flat"}');
CREATE INDEX plans_by_trip ON plans (trip_id, made_at);
CREATE INDEX events_by_trip ON events (trip_id, at);
CREATE INDEX notices_by_trip ON notices (trip_id, created_at);
CREATE INDEX deliveries_thread ON deliveries (target, thread, state, id);
CREATE INDEX deliveries_due ON deliveries (state, target, next_try);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('deliveries',4);
COMMIT;
