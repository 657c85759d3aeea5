-- The first logbook ever shipped, as version 0.1.0 wrote it; never changed.
BEGIN TRANSACTION;
CREATE TABLE checks (
	id INTEGER NOT NULL, 
	taken_on VARCHAR(10) NOT NULL, 
	reference TEXT NOT NULL, 
	site TEXT NOT NULL, 
	verdict TEXT NOT NULL, 
	bias_percent DOUBLE, 
	bias_u_percent DOUBLE, 
	result JSON NOT NULL, 
	software_version VARCHAR(32) NOT NULL, 
	recorded_at_utc VARCHAR(32) NOT NULL, 
	CONSTRAINT pk_checks PRIMARY KEY (id)
);
CREATE TABLE doubts (
	id INTEGER NOT NULL, 
	measurement_id INTEGER NOT NULL, 
	fragment_measurement_id INTEGER, 
	number INTEGER NOT NULL, 
	"key" VARCHAR(40) NOT NULL, 
	detail TEXT NOT NULL, 
	source VARCHAR(16) NOT NULL, 
	CONSTRAINT pk_doubts PRIMARY KEY (id), 
	CONSTRAINT fk_doubts_measurement_id FOREIGN KEY(measurement_id) REFERENCES measurements (id), 
	CONSTRAINT fk_doubts_fragment_measurement_id FOREIGN KEY(fragment_measurement_id) REFERENCES fragment_measurements (id)
);
INSERT INTO "doubts" VALUES(1,1,2,0,'outline_unsure','confidence 0.42','photo');
INSERT INTO "doubts" VALUES(2,1,2,1,'rim_unsure','','photo');
INSERT INTO "doubts" VALUES(3,1,NULL,0,'print_unchecked','','photo');
CREATE TABLE edits (
	id INTEGER NOT NULL, 
	fragment_measurement_id INTEGER NOT NULL, 
	edited_at_utc VARCHAR(32) NOT NULL, 
	edited_by TEXT NOT NULL, 
	reason TEXT NOT NULL, 
	old_row JSON NOT NULL, 
	new_fragment TEXT, 
	new_outline_mm_wkb BLOB, 
	CONSTRAINT pk_edits PRIMARY KEY (id), 
	CONSTRAINT fk_edits_fragment_measurement_id FOREIGN KEY(fragment_measurement_id) REFERENCES fragment_measurements (id)
);
CREATE TABLE file_hashes (
	path TEXT NOT NULL, 
	size_bytes BIGINT NOT NULL, 
	modified_ns BIGINT NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	CONSTRAINT pk_file_hashes PRIMARY KEY (path)
);
CREATE TABLE fragment_measurements (
	id INTEGER NOT NULL, 
	measurement_id INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	fragment TEXT, 
	row_number INTEGER, 
	column_number INTEGER, 
	label TEXT NOT NULL, 
	centre_x_mm DOUBLE NOT NULL, 
	centre_y_mm DOUBLE NOT NULL, 
	plug_radius_mm DOUBLE, 
	status VARCHAR(16) NOT NULL, 
	area_mm2 DOUBLE, 
	area_u_mm2 DOUBLE, 
	expanded_mm2 DOUBLE, 
	budget JSON NOT NULL, 
	bleached_mm2 DOUBLE, 
	dead_mm2 DOUBLE, 
	edge_height_mm DOUBLE, 
	confidence DOUBLE, 
	CONSTRAINT pk_fragment_measurements PRIMARY KEY (id), 
	CONSTRAINT uq_fragment_measurements_number UNIQUE (measurement_id, number), 
	CONSTRAINT fk_fragment_measurements_measurement_id FOREIGN KEY(measurement_id) REFERENCES measurements (id)
);
INSERT INTO "fragment_measurements" VALUES(1,1,0,'F1',1,1,'',27.1,27.2,12.5,'live',100.0,1.0,1.96,'[{"name": "scale", "u_mm2": 0.6, "shared": true}, {"name": "outline", "u_mm2": 0.8, "shared": false}]',25.0,3.0,4.5,0.9);
INSERT INTO "fragment_measurements" VALUES(2,1,1,NULL,1,2,'',54.1,27.2,12.5,'live',80.0,1.0,1.96,'[{"name": "scale", "u_mm2": 0.6, "shared": true}, {"name": "outline", "u_mm2": 0.8, "shared": false}]',20.0,3.0,4.5,0.9);
CREATE TABLE logbook_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT logbook_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "logbook_version" VALUES('0001');
CREATE TABLE measurements (
	id INTEGER NOT NULL, 
	sha256 VARCHAR(64), 
	photo TEXT NOT NULL, 
	path TEXT NOT NULL, 
	outcome VARCHAR(16) NOT NULL, 
	is_current BOOLEAN NOT NULL, 
	supersedes INTEGER, 
	software_version VARCHAR(32) NOT NULL, 
	recorded_at_utc VARCHAR(32) NOT NULL, 
	settings_hash VARCHAR(64) NOT NULL, 
	settings JSON, 
	site_settings JSON, 
	site TEXT NOT NULL, 
	taken_at VARCHAR(32), 
	utc_offset_min DOUBLE, 
	taken_at_source VARCHAR(16), 
	method VARCHAR(32), 
	reference TEXT, 
	mm_per_px DOUBLE, 
	camera_height_mm DOUBLE, 
	tilt_deg DOUBLE, 
	plug_top_mm DOUBLE, 
	plug_top_source VARCHAR(16), 
	tags_seen INTEGER, 
	tags_used INTEGER, 
	rms_px DOUBLE, 
	plane JSON, 
	history_compared BOOLEAN NOT NULL, 
	refused_kind VARCHAR(32), 
	refused_cause TEXT, 
	refused_remedy TEXT, 
	try_again BOOLEAN NOT NULL, 
	CONSTRAINT pk_measurements PRIMARY KEY (id), 
	CONSTRAINT fk_measurements_sha256 FOREIGN KEY(sha256) REFERENCES photos (sha256), 
	CONSTRAINT fk_measurements_supersedes FOREIGN KEY(supersedes) REFERENCES measurements (id)
);
INSERT INTO "measurements" VALUES(1,'7692c3ad3540bb803c020b3aee66cd8887123234ea0c6e7143c0add73ff431ed','IMG_0412.jpg','photos/TRAY-1/IMG_0412.jpg','measured',1,NULL,'0.1.0','2026-11-25T11:12:31.435657+00:00','89720888ed45626a','{"lens_profile": "", "lens_hash": "", "print_factor": 1.0, "print_u_rel": 0.002, "print_checked": false, "reference_hash": "", "placements_hash": "", "two_points_px": null, "two_points_mm": 0.0, "two_points_u_mm": 0.5}','{"kind": "tray", "name": "TRAY-1", "reference": "frame-280x220", "plug_mm": 25.0, "plug_u_mm": 0.1, "rows": 5, "columns": 8, "pitch_mm": 27.0, "places_mm": [], "reference_offset_mm": null, "reference_offset_u_mm": 0.5, "edge_height_mm": 0.5, "edge_height_u_mm": 0.3}','TRAY-1','2026-03-07T10:15:30',NULL,'exif','tags','frame-280x220',0.2222,400.0,4.0,4.0,'given',12,11,0.2,'{"kind": "camera", "camera_matrix": [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]], "distortion": [0.0, 0.0, 0.0, 0.0, 0.0], "rotation": [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]], "translation_mm": [1.0, 2.0, 400.0]}',0,NULL,NULL,NULL,0);
INSERT INTO "measurements" VALUES(2,'cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc','blurred.jpg','photos/TRAY-1/blurred.jpg','refused',1,NULL,'0.1.0','2026-11-25T11:12:31.458813+00:00','0123456789ab',NULL,NULL,'',NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,0,'ReferenceNotFound','no tag seen','Retake it',0);
CREATE TABLE outlines (
	fragment_measurement_id INTEGER NOT NULL, 
	live_mm_wkb BLOB NOT NULL, 
	bleached_mm_wkb BLOB NOT NULL, 
	dead_mm_wkb BLOB NOT NULL, 
	CONSTRAINT pk_outlines PRIMARY KEY (fragment_measurement_id), 
	CONSTRAINT fk_outlines_fragment_measurement_id FOREIGN KEY(fragment_measurement_id) REFERENCES fragment_measurements (id)
);
INSERT INTO "outlines" VALUES(1,X'0106000000010000000103000000020000001100000016355771F65E40403333333333333B4089DA4DC6FD2740408DF0280A7B0A394017C2B269E4163F40B70A1A63E835374040DCA3C251423D40BB173140D1FC35409A99999999193B40A1621EEADF8E3540F4568F70E1F03840BB173140D1FC35401E7180C94E1C3740B60A1A63E8353740227E97A637E335408DF0280A7B0A394008C98450467535403333333333333B40227E97A637E33540D9753D5CEB5B3D401D7180C94E1C3740AF5B4C037E303F40F3568F70E1F0384055A71A93CA3440409A99999999193B40E201243EC36B404041DCA3C251423D4055A71A93CA34404016C2B269E4163F40B05B4C037E303F4089DA4DC6FD274040DA753D5CEB5B3D4016355771F65E40403333333333333B400900000051C39D0E773A3C403333333333333B404D3B38C3DBE53B4080919409F1663A409A99999999193B407C092FBE55123A40E8F7FA6F574D3A4080919409F1663A40E36F9524BCF839403333333333333B40E7F7FA6F574D3A40E6D4D15C75FF3B409A99999999193B40EA5C37A810543C404C3B38C3DBE53B40E6D4D15C75FF3B4051C39D0E773A3C403333333333333B40',X'010600000000000000',X'0106000000010000000103000000010000000900000051C39D0E773A3C403333333333333B404D3B38C3DBE53B4080919409F1663A409A99999999193B407C092FBE55123A40E8F7FA6F574D3A4080919409F1663A40E36F9524BCF839403333333333333B40E7F7FA6F574D3A40E6D4D15C75FF3B409A99999999193B40EA5C37A810543C404C3B38C3DBE53B40E6D4D15C75FF3B4051C39D0E773A3C403333333333333B40');
INSERT INTO "outlines" VALUES(2,X'01060000000100000001030000000200000011000000C0591ED0B8924D403333333333333B40B61901D68D614D409EBDD12FD54439405AAE772889D54C401970DD7BBAA1374097877DCEFB034C406099CA20B1893640CDCCCCCCCC0C4B404C19902C5B27364003121CCB9D154A406099CA20B189364040EB2171104449401970DD7BBAA13740E47F98C30BB848409EBDD12FD5443940DA3F7BC9E08648403333333333333B40E47F98C30BB84840C8A8943691213D4040EB2171104449404DF688EAABC43E4002121CCB9D154A4006CD9B45B5DC3F40CDCCCCCCCC0C4B408D26EB9C851F404098877DCEFB034C4006CD9B45B5DC3F405AAE772889D54C404DF688EAABC43E40B61901D68D614D40C9A8943691213D40C0591ED0B8924D403333333333333B4009000000FEE8A900FC8D4B403333333333333B40E9F9EEAB25684B40FBD8EE74817C3A40CDCCCCCCCC0C4B40D2FA78CBD4303A40B19FAAED73B14A40FBD8EE74817C3A409CB0EF989D8B4A403333333333333B40B19FAAED73B14A406B8D77F1E4E93B40CDCCCCCCCC0C4B40946BED9A91353C40E9F9EEAB25684B406B8D77F1E4E93B40FEE8A900FC8D4B403333333333333B40',X'010600000000000000',X'01060000000100000001030000000100000009000000FEE8A900FC8D4B403333333333333B40E9F9EEAB25684B40FBD8EE74817C3A40CDCCCCCCCC0C4B40D2FA78CBD4303A40B19FAAED73B14A40FBD8EE74817C3A409CB0EF989D8B4A403333333333333B40B19FAAED73B14A406B8D77F1E4E93B40CDCCCCCCCC0C4B40946BED9A91353C40E9F9EEAB25684B406B8D77F1E4E93B40FEE8A900FC8D4B403333333333333B40');
CREATE TABLE photo_names (
	path TEXT NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	first_seen_at_utc VARCHAR(32) NOT NULL, 
	CONSTRAINT pk_photo_names PRIMARY KEY (path, sha256), 
	CONSTRAINT fk_photo_names_sha256 FOREIGN KEY(sha256) REFERENCES photos (sha256)
);
INSERT INTO "photo_names" VALUES('photos/TRAY-1/IMG_0412.jpg','7692c3ad3540bb803c020b3aee66cd8887123234ea0c6e7143c0add73ff431ed','2026-11-25T11:12:31.427796+00:00');
INSERT INTO "photo_names" VALUES('photos/TRAY-1/copy.jpg','7692c3ad3540bb803c020b3aee66cd8887123234ea0c6e7143c0add73ff431ed','2026-11-25T11:12:31.427796+00:00');
INSERT INTO "photo_names" VALUES('photos/TRAY-1/blurred.jpg','cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc','2026-11-25T11:12:31.454187+00:00');
CREATE TABLE photos (
	sha256 VARCHAR(64) NOT NULL, 
	name TEXT NOT NULL, 
	path TEXT NOT NULL, 
	first_seen_at_utc VARCHAR(32) NOT NULL, 
	camera_make TEXT, 
	camera_model TEXT, 
	focal_equiv_mm DOUBLE, 
	focal_mm DOUBLE, 
	width_px INTEGER, 
	height_px INTEGER, 
	CONSTRAINT pk_photos PRIMARY KEY (sha256)
);
INSERT INTO "photos" VALUES('7692c3ad3540bb803c020b3aee66cd8887123234ea0c6e7143c0add73ff431ed','IMG_0412.jpg','photos/TRAY-1/IMG_0412.jpg','2026-11-25T11:12:31.424402+00:00','maker','model',26.0,NULL,1600,1200);
INSERT INTO "photos" VALUES('cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc','blurred.jpg','photos/TRAY-1/blurred.jpg','2026-11-25T11:12:31.451917+00:00',NULL,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE print_checks (
	id INTEGER NOT NULL, 
	reference TEXT NOT NULL, 
	nominal_mm DOUBLE NOT NULL, 
	measured_mm JSON NOT NULL, 
	factor DOUBLE NOT NULL, 
	factor_u_rel DOUBLE NOT NULL, 
	checked_on VARCHAR(10) NOT NULL, 
	checked_by TEXT NOT NULL, 
	software_version VARCHAR(32) NOT NULL, 
	recorded_at_utc VARCHAR(32) NOT NULL, 
	CONSTRAINT pk_print_checks PRIMARY KEY (id)
);
CREATE INDEX ix_measurements_sha256 ON measurements (sha256);
CREATE INDEX ix_measurements_site_taken_at ON measurements (site, taken_at);
CREATE UNIQUE INDEX ix_measurements_current ON measurements (sha256) WHERE is_current;
CREATE INDEX ix_fragment_measurements_fragment ON fragment_measurements (fragment);
CREATE INDEX ix_doubts_measurement_id ON doubts (measurement_id);
CREATE INDEX ix_doubts_fragment_measurement_id ON doubts (fragment_measurement_id);
CREATE INDEX ix_print_checks_reference ON print_checks (reference);
CREATE INDEX ix_edits_fragment_measurement_id ON edits (fragment_measurement_id);
COMMIT;
