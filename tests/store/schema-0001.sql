BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE delivery (
	number INTEGER NOT NULL, 
	id VARCHAR(64) NOT NULL, 
	destination VARCHAR NOT NULL, 
	subject_id VARCHAR(24) NOT NULL, 
	told_as VARCHAR(32) NOT NULL, 
	level SMALLINT, 
	kind VARCHAR(8), 
	state VARCHAR(8) NOT NULL, 
	due_at VARCHAR(27) NOT NULL, 
	valid_until VARCHAR(27) NOT NULL, 
	lease_until VARCHAR(27), 
	attempts INTEGER NOT NULL, 
	last_error TEXT, 
	settled_at VARCHAR(27), 
	CONSTRAINT pk_delivery PRIMARY KEY (number), 
	CONSTRAINT uq_delivery_id UNIQUE (id)
);
INSERT INTO "delivery" VALUES(1,'msg_XNOR-1.1_desk','desk','XNOR-1','icing.episode.opened',3,'observed','sent','2026-01-12T06:00:00.000000Z','2026-01-12T12:00:00.000000Z',NULL,1,NULL,'2026-01-12T06:01:00.000000Z');
INSERT INTO "delivery" VALUES(2,'msg_XNOR-1.1_room','room','XNOR-1','icing.episode.opened',3,'observed','dead','2026-01-12T06:00:00.000000Z','2026-01-12T12:00:00.000000Z',NULL,1,'refused: no such room','2026-01-12T06:01:00.000000Z');
INSERT INTO "delivery" VALUES(3,'msg_XNOR-1.1_pad','pad','XNOR-1','icing.episode.opened',3,'observed','expired','2026-01-12T06:00:00.000000Z','2026-01-12T06:03:00.000000Z',NULL,0,NULL,'2026-01-12T06:05:00.000000Z');
INSERT INTO "delivery" VALUES(4,'msg_XNOR-2.1_desk','desk','XNOR-2','icing.episode.opened',3,'observed','sent','2026-01-12T06:00:00.000000Z','2026-01-12T12:00:00.000000Z',NULL,1,NULL,'2026-01-12T06:01:00.000000Z');
INSERT INTO "delivery" VALUES(5,'msg_XNOR-1.2_desk','desk','XNOR-1','icing.episode.raised',4,'observed','pending','2026-01-12T06:25:00.000000Z','2026-01-12T12:05:00.000000Z',NULL,1,'no answer',NULL);
INSERT INTO "delivery" VALUES(6,'msg_XNOR-1.2_room','room','XNOR-1','icing.episode.opened',4,'observed','leased','2026-01-12T06:05:00.000000Z','2026-01-12T12:05:00.000000Z','2026-01-12T06:30:00.000000Z',2,NULL,NULL);
INSERT INTO "delivery" VALUES(7,'msg_XNOR-2.2_desk','desk','XNOR-2','icing.episode.closed',3,'observed','pending','2026-01-12T06:06:00.000000Z','2026-01-12T12:06:00.000000Z',NULL,1,NULL,NULL);
INSERT INTO "delivery" VALUES(8,'msg_XBAY.1_desk','desk','XBAY','icing.station.blind',NULL,NULL,'pending','2026-01-12T06:06:00.000000Z','2026-01-12T12:06:00.000000Z',NULL,0,NULL,NULL);
INSERT INTO "delivery" VALUES(9,'msg_XBAY.1_room','room','XBAY','icing.station.blind',NULL,NULL,'leased','2026-01-12T06:06:00.000000Z','2026-01-12T12:06:00.000000Z','2026-01-12T06:30:00.000000Z',1,NULL,NULL);
INSERT INTO "delivery" VALUES(10,'msg_XNOR-1.3_desk','desk','XNOR-1','icing.episode.lowered',3,'observed','pending','2026-01-12T06:10:00.000000Z','2026-01-12T12:10:00.000000Z',NULL,0,NULL,NULL);
INSERT INTO "delivery" VALUES(11,'msg_XNOR-1.3_room','room','XNOR-1','icing.episode.lowered',3,'observed','pending','2026-01-12T06:10:00.000000Z','2026-01-12T12:10:00.000000Z',NULL,0,NULL,NULL);
CREATE TABLE delivery_event (
	delivery_id VARCHAR(64) NOT NULL, 
	event_id VARCHAR(32) NOT NULL, 
	destination VARCHAR NOT NULL, 
	CONSTRAINT pk_delivery_event PRIMARY KEY (delivery_id, event_id), 
	CONSTRAINT fk_delivery_event_delivery_id FOREIGN KEY(delivery_id) REFERENCES delivery (id) ON DELETE CASCADE, 
	CONSTRAINT fk_delivery_event_event_id FOREIGN KEY(event_id) REFERENCES event (id), 
	CONSTRAINT uq_delivery_event_event_id_destination UNIQUE (event_id, destination)
);
INSERT INTO "delivery_event" VALUES('msg_XNOR-1.1_desk','XNOR-1.1','desk');
INSERT INTO "delivery_event" VALUES('msg_XNOR-1.1_room','XNOR-1.1','room');
INSERT INTO "delivery_event" VALUES('msg_XNOR-1.1_pad','XNOR-1.1','pad');
INSERT INTO "delivery_event" VALUES('msg_XNOR-2.1_desk','XNOR-2.1','desk');
INSERT INTO "delivery_event" VALUES('msg_XNOR-1.2_desk','XNOR-1.2','desk');
INSERT INTO "delivery_event" VALUES('msg_XNOR-1.2_room','XNOR-1.2','room');
INSERT INTO "delivery_event" VALUES('msg_XNOR-2.2_desk','XNOR-2.2','desk');
INSERT INTO "delivery_event" VALUES('msg_XBAY.1_desk','XBAY.1','desk');
INSERT INTO "delivery_event" VALUES('msg_XBAY.1_room','XBAY.1','room');
INSERT INTO "delivery_event" VALUES('msg_XNOR-1.3_desk','XNOR-1.3','desk');
INSERT INTO "delivery_event" VALUES('msg_XNOR-1.3_room','XNOR-1.3','room');
CREATE TABLE destination_state (
	name VARCHAR NOT NULL, 
	disabled BOOLEAN NOT NULL, 
	reason TEXT NOT NULL, 
	at VARCHAR(27) NOT NULL, 
	CONSTRAINT pk_destination_state PRIMARY KEY (name)
);
INSERT INTO "destination_state" VALUES('old-room',1,'410 Gone','2026-01-12T06:10:00.000000Z');
CREATE TABLE episode (
	id VARCHAR(24) NOT NULL, 
	station VARCHAR(8) NOT NULL, 
	number INTEGER NOT NULL, 
	flag VARCHAR(32) NOT NULL, 
	kind VARCHAR(8) NOT NULL, 
	level SMALLINT NOT NULL, 
	phase VARCHAR(8) NOT NULL, 
	began_at VARCHAR(27) NOT NULL, 
	changed_at VARCHAR(27) NOT NULL, 
	opened_at VARCHAR(27), 
	ended_at VARCHAR(27), 
	until VARCHAR(27), 
	certainty VARCHAR(32), 
	no_time VARCHAR(16), 
	holds TEXT NOT NULL, 
	expected TEXT NOT NULL, 
	seq INTEGER NOT NULL, 
	CONSTRAINT pk_episode PRIMARY KEY (id)
);
INSERT INTO "episode" VALUES('XNOR-1','XNOR',1,'snow','observed',3,'present','2026-01-12T06:00:00.000000Z','2026-01-12T06:00:00.000000Z','2026-01-12T06:00:00.000000Z',NULL,NULL,NULL,NULL,'[{"rule":"snow","level":3,"no_time":null,"entered_at":"2026-01-12T06:00:00Z","counted_at":"2026-01-12T06:00:00Z","met_reports":2,"confirmed":true,"missed_since":null,"missed_reports":0}]','[]',3);
INSERT INTO "episode" VALUES('XNOR-2','XNOR',2,'snow','observed',3,'ended','2026-01-12T06:00:00.000000Z','2026-01-12T06:00:00.000000Z','2026-01-12T06:00:00.000000Z','2026-01-12T06:06:00.000000Z',NULL,NULL,NULL,'[]','[]',2);
CREATE TABLE event (
	number INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	id VARCHAR(32) NOT NULL, 
	subject_kind VARCHAR(16) NOT NULL, 
	subject_id VARCHAR(24) NOT NULL, 
	seq INTEGER NOT NULL, 
	type VARCHAR(32) NOT NULL, 
	at VARCHAR(27) NOT NULL, 
	body TEXT NOT NULL, 
	CONSTRAINT uq_event_id UNIQUE (id), 
	CONSTRAINT uq_event_subject_kind_subject_id_seq UNIQUE (subject_kind, subject_id, seq)
);
INSERT INTO "event" VALUES(1,'XNOR-1.1','episode','XNOR-1',1,'icing.episode.opened','2026-01-12T06:00:00.000000Z','{"station":"XNOR","name":"Northby","zone":"Europe/Oslo","headline":"XNOR-1 treat: snow","why":"why","next_step":"next","flag":null,"level":3,"previous_level":null,"no_time":null,"kind":null,"phase":null,"certainty":null,"begins_at":null,"until":null,"observed_at":null,"raw":null,"forecast_raw":null,"rulebook":""}');
INSERT INTO "event" VALUES(2,'XNOR-2.1','episode','XNOR-2',1,'icing.episode.opened','2026-01-12T06:00:00.000000Z','{"station":"XNOR","name":"Northby","zone":"Europe/Oslo","headline":"XNOR-2 treat: snow","why":"why","next_step":"next","flag":null,"level":3,"previous_level":null,"no_time":null,"kind":null,"phase":null,"certainty":null,"begins_at":null,"until":null,"observed_at":null,"raw":null,"forecast_raw":null,"rulebook":""}');
INSERT INTO "event" VALUES(3,'XNOR-1.2','episode','XNOR-1',2,'icing.episode.raised','2026-01-12T06:05:00.000000Z','{"station":"XNOR","name":"Northby","zone":"Europe/Oslo","headline":"XNOR-1 treat: snow","why":"why","next_step":"next","flag":null,"level":3,"previous_level":null,"no_time":null,"kind":null,"phase":null,"certainty":null,"begins_at":null,"until":null,"observed_at":null,"raw":null,"forecast_raw":null,"rulebook":""}');
INSERT INTO "event" VALUES(4,'XNOR-2.2','episode','XNOR-2',2,'icing.episode.closed','2026-01-12T06:06:00.000000Z','{"station":"XNOR","name":"Northby","zone":"Europe/Oslo","headline":"XNOR-2 treat: snow","why":"why","next_step":"next","flag":null,"level":3,"previous_level":null,"no_time":null,"kind":null,"phase":null,"certainty":null,"begins_at":null,"until":null,"observed_at":null,"raw":null,"forecast_raw":null,"rulebook":""}');
INSERT INTO "event" VALUES(5,'XBAY.1','station','XBAY',1,'icing.station.blind','2026-01-12T06:06:00.000000Z','{"station":"XBAY","name":"Northby","zone":"Europe/Oslo","headline":"XBAY treat: snow","why":"why","next_step":"next","flag":null,"level":3,"previous_level":null,"no_time":null,"kind":null,"phase":null,"certainty":null,"begins_at":null,"until":null,"observed_at":null,"raw":null,"forecast_raw":null,"rulebook":""}');
INSERT INTO "event" VALUES(6,'XNOR-1.3','episode','XNOR-1',3,'icing.episode.lowered','2026-01-12T06:10:00.000000Z','{"station":"XNOR","name":"Northby","zone":"Europe/Oslo","headline":"XNOR-1 treat: snow","why":"why","next_step":"next","flag":null,"level":3,"previous_level":null,"no_time":null,"kind":null,"phase":null,"certainty":null,"begins_at":null,"until":null,"observed_at":null,"raw":null,"forecast_raw":null,"rulebook":""}');
CREATE TABLE report (
	id INTEGER NOT NULL, 
	station VARCHAR(8) NOT NULL, 
	observed_at VARCHAR(27) NOT NULL, 
	text_hash VARCHAR(16) NOT NULL, 
	kind VARCHAR(5) NOT NULL, 
	correction VARCHAR(8), 
	received_at VARCHAR(27) NOT NULL, 
	feed VARCHAR NOT NULL, 
	raw TEXT NOT NULL, 
	doubts TEXT, 
	superseded_by VARCHAR(16), 
	routine BOOLEAN, 
	temp_c FLOAT, 
	precipitation BOOLEAN, 
	wet BOOLEAN, 
	CONSTRAINT pk_report PRIMARY KEY (id), 
	CONSTRAINT uq_report_station_observed_at_text_hash UNIQUE (station, observed_at, text_hash)
);
INSERT INTO "report" VALUES(1,'XNOR','2026-01-12T05:50:00.000000Z','fe5f8030ee101a47','METAR',NULL,'2026-01-12T06:00:00.000000Z','world','METAR XNOR 120550Z 00000KT 3000 -SN OVC004 M01/M01 Q1021 ',NULL,NULL,1,-1.0,1,0);
INSERT INTO "report" VALUES(2,'XNOR','2026-01-12T05:00:00.000000Z','6c62126591e60c91','TAF',NULL,'2026-01-12T06:00:00.000000Z','world','TAF XNOR 120500Z 1206/1306 VRB03KT 4000 -SN BKN004',NULL,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE station_state (
	station VARCHAR(8) NOT NULL, 
	version INTEGER NOT NULL, 
	cadence_min FLOAT, 
	last_report_at VARCHAR(27), 
	watched_since VARCHAR(27), 
	blind_since VARCHAR(27), 
	episodes_begun INTEGER NOT NULL, 
	seq INTEGER NOT NULL, 
	spent TEXT NOT NULL, 
	latest_at VARCHAR(27), 
	latest_hash VARCHAR(16), 
	forecast_at VARCHAR(27), 
	forecast_hash VARCHAR(16), 
	CONSTRAINT pk_station_state PRIMARY KEY (station)
);
INSERT INTO "station_state" VALUES('XNOR',4,30.0,'2026-01-12T05:50:00.000000Z','2026-01-12T05:00:00.000000Z',NULL,2,0,'[]','2026-01-12T05:50:00.000000Z','fe5f8030ee101a47','2026-01-12T05:00:00.000000Z','6c62126591e60c91');
INSERT INTO "station_state" VALUES('XBAY',1,NULL,NULL,'2026-01-11T20:00:00.000000Z','2026-01-12T06:06:00.000000Z',0,1,'[]',NULL,NULL,NULL,NULL);
CREATE TABLE unreadable (
	id INTEGER NOT NULL, 
	text_hash VARCHAR(16) NOT NULL, 
	station VARCHAR(8), 
	received_at VARCHAR(27) NOT NULL, 
	feed VARCHAR NOT NULL, 
	raw TEXT NOT NULL, 
	error TEXT NOT NULL, 
	CONSTRAINT pk_unreadable PRIMARY KEY (id), 
	CONSTRAINT uq_unreadable_text_hash UNIQUE (text_hash)
);
INSERT INTO "unreadable" VALUES(1,'1df1003ef8140f48',NULL,'2026-01-12T06:00:00.000000Z','world','no report at all','no station where one should stand');
CREATE INDEX ix_delivery_state_destination_due_at ON delivery (state, destination, due_at);
CREATE INDEX ix_delivery_state_valid_until ON delivery (state, valid_until);
CREATE INDEX ix_delivery_subject_id_destination ON delivery (subject_id, destination);
CREATE INDEX ix_episode_ended_at_station ON episode (ended_at, station);
CREATE INDEX ix_event_at ON event (at);
CREATE INDEX ix_report_observed_at ON report (observed_at);
CREATE INDEX ix_unreadable_received_at ON unreadable (received_at);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('event',6);
COMMIT;
