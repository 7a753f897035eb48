"""The tables of a tidetray home, as an ordered list of migrations.

A migration once landed is never edited; a change is a new entry at the end.
Names of time columns end in `_ms`: UTC milliseconds since 1970.
"""

MIGRATIONS: tuple[tuple[str, str], ...] = (
    (
        "readings",
        """
        CREATE TABLE series (
            id INTEGER PRIMARY KEY,
            site TEXT NOT NULL, node TEXT NOT NULL, tray TEXT NOT NULL, channel TEXT NOT NULL,
            UNIQUE (site, tray, channel, node)
        ) STRICT;
        -- delay_s: how much later than measured it was received, whole seconds
        CREATE TABLE reading (
            series INTEGER NOT NULL, time_ms INTEGER NOT NULL, value REAL NOT NULL,
            delay_s INTEGER NOT NULL,
            PRIMARY KEY (series, time_ms)
        ) STRICT, WITHOUT ROWID;
        -- hour: whole hours since 1970. integral: value x seconds over covered_s. above_s: seconds
        -- at or above the channel's threshold, NULL where the channel has none
        CREATE TABLE hourly (
            series INTEGER NOT NULL, hour INTEGER NOT NULL, n INTEGER NOT NULL,
            mean REAL NOT NULL, min REAL NOT NULL, max REAL NOT NULL,
            integral REAL NOT NULL, covered_s REAL NOT NULL, above_s REAL,
            PRIMARY KEY (series, hour)
        ) STRICT, WITHOUT ROWID;
        -- message numbers committed, as closed ranges; what lies between two ranges is missing
        CREATE TABLE message_range (
            site TEXT NOT NULL, node TEXT NOT NULL, boot TEXT NOT NULL,
            first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL,
            PRIMARY KEY (site, node, boot, first_seq)
        ) STRICT, WITHOUT ROWID;
        -- numbers that a node says it no longer holds: gone for good, and counted
        CREATE TABLE message_gap (
            site TEXT NOT NULL, node TEXT NOT NULL, boot TEXT NOT NULL,
            first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL, noticed_ms INTEGER NOT NULL,
            PRIMARY KEY (site, node, boot, first_seq)
        ) STRICT, WITHOUT ROWID;
        CREATE TABLE node (
            site TEXT NOT NULL, node TEXT NOT NULL,
            here INTEGER, here_ms INTEGER, boot TEXT, last_message_ms INTEGER,
            PRIMARY KEY (site, node)
        ) STRICT, WITHOUT ROWID;
        -- payload holds at most the first 64 KiB; payload_bytes is the whole length.
        -- settled_ms: when a message set aside could be recorded after all
        CREATE TABLE quarantine (
            id INTEGER PRIMARY KEY, received_ms INTEGER NOT NULL, topic TEXT NOT NULL,
            kind TEXT NOT NULL, reason TEXT NOT NULL,
            payload BLOB NOT NULL, payload_bytes INTEGER NOT NULL, settled_ms INTEGER
        ) STRICT;
        CREATE TABLE counter (name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT, WITHOUT ROWID;
        """,
    ),
    (
        "cycles",
        """
        CREATE TABLE cycle (
            site TEXT NOT NULL, tray TEXT NOT NULL, number INTEGER NOT NULL,
            flood_start_ms INTEGER, flood_reached_ms INTEGER, drain_start_ms INTEGER, dry_ms INTEGER,
            fill_s REAL, wet_s REAL, drain_s REAL, peak_level_m REAL, outcome TEXT NOT NULL,
            PRIMARY KEY (site, tray, number)
        ) STRICT, WITHOUT ROWID;
        -- written with the readings: from this time on the tray's cycles are to be worked out again
        CREATE TABLE cycles_due (
            site TEXT NOT NULL, tray TEXT NOT NULL, from_ms INTEGER NOT NULL,
            PRIMARY KEY (site, tray)
        ) STRICT, WITHOUT ROWID;
        """,
    ),
    (
        "notebook",
        """
        CREATE TABLE tray (
            site TEXT NOT NULL, name TEXT NOT NULL,
            length_m REAL, width_m REAL, overflow_height_m REAL, drain_hole_diameter_m REAL,
            pump_flow_m3_s REAL, flood_mark_m REAL NOT NULL, dry_mark_m REAL NOT NULL,
            deadband_m REAL NOT NULL, debounce_s REAL NOT NULL, discharge_coefficient REAL NOT NULL,
            lamp TEXT,
            PRIMARY KEY (site, name)
        ) STRICT, WITHOUT ROWID;
        CREATE TABLE trial (
            name TEXT PRIMARY KEY, site TEXT NOT NULL, zone TEXT NOT NULL,
            started_ms INTEGER NOT NULL, species TEXT NOT NULL, question TEXT NOT NULL
        ) STRICT, WITHOUT ROWID;
        CREATE TABLE treatment (
            trial TEXT NOT NULL REFERENCES trial, name TEXT NOT NULL, culture TEXT NOT NULL,
            flood_times TEXT NOT NULL, wet_minutes REAL NOT NULL,
            PRIMARY KEY (trial, name)
        ) STRICT, WITHOUT ROWID;
        CREATE TABLE assignment (
            trial TEXT NOT NULL REFERENCES trial, tray TEXT NOT NULL, treatment TEXT NOT NULL,
            PRIMARY KEY (trial, tray),
            FOREIGN KEY (trial, treatment) REFERENCES treatment
        ) STRICT, WITHOUT ROWID;
        CREATE TABLE pot (
            trial TEXT NOT NULL REFERENCES trial, name TEXT NOT NULL,
            tare_g REAL NOT NULL, height_m REAL, stock TEXT NOT NULL,
            PRIMARY KEY (trial, name)
        ) STRICT, WITHOUT ROWID;
        -- where a pot stands from a time on; the row before it ends there
        CREATE TABLE placement (
            trial TEXT NOT NULL, pot TEXT NOT NULL, from_ms INTEGER NOT NULL,
            tray TEXT NOT NULL, place_row INTEGER NOT NULL, place_column INTEGER NOT NULL,
            PRIMARY KEY (trial, pot, from_ms),
            FOREIGN KEY (trial, pot) REFERENCES pot
        ) STRICT, WITHOUT ROWID;
        -- never updated, never deleted: a correction is a new row that names the one it replaces
        CREATE TABLE weigh_in (
            id INTEGER PRIMARY KEY,
            trial TEXT NOT NULL, pot TEXT NOT NULL, weighed_ms INTEGER NOT NULL, replicate INTEGER NOT NULL,
            gross_g REAL NOT NULL, tare_g REAL NOT NULL, blotted INTEGER NOT NULL,
            who TEXT NOT NULL, note TEXT NOT NULL, entered_ms INTEGER NOT NULL,
            replaces INTEGER REFERENCES weigh_in,
            FOREIGN KEY (trial, pot) REFERENCES pot
        ) STRICT;
        CREATE INDEX weigh_in_by_pot ON weigh_in (trial, pot, weighed_ms);
        """,
    ),
    (
        "nodes without a clock, and what nodes say of themselves",
        """
        -- least_start_ms: the least (received - uptime) of the messages of that day of uptime (0, 1, ...)
        CREATE TABLE boot_start (
            site TEXT NOT NULL, node TEXT NOT NULL, boot TEXT NOT NULL,
            uptime_day INTEGER NOT NULL, least_start_ms INTEGER NOT NULL,
            PRIMARY KEY (site, node, boot, uptime_day)
        ) STRICT, WITHOUT ROWID;
        -- as its last hello said; faults: names of the records whose sensors are in trouble, a space between
        ALTER TABLE node ADD COLUMN dropped_messages INTEGER NOT NULL DEFAULT 0;
        ALTER TABLE node ADD COLUMN dropped_readings INTEGER NOT NULL DEFAULT 0;
        ALTER TABLE node ADD COLUMN spoilt_records INTEGER NOT NULL DEFAULT 0;
        ALTER TABLE node ADD COLUMN faults TEXT NOT NULL DEFAULT '';
        """,
    ),
    (
        "calibrations",
        """
        -- never updated: a later one has a later date. points: JSON pairs of read and true
        CREATE TABLE calibration (
            site TEXT NOT NULL, node TEXT NOT NULL, tray TEXT NOT NULL, channel TEXT NOT NULL, done_on TEXT NOT NULL,
            who TEXT NOT NULL, against TEXT NOT NULL, points TEXT NOT NULL, gain REAL NOT NULL, zero_offset REAL NOT NULL,
            PRIMARY KEY (site, node, tray, channel, done_on)
        ) STRICT, WITHOUT ROWID;
        """,  # noqa: E501, landed migrations are never edited
    ),
    (
        "predictions",
        """
        -- what was expected of each treatment of a trial that was made from a proposal, before it began
        CREATE TABLE prediction (
            trial TEXT NOT NULL, treatment TEXT NOT NULL, based_on TEXT NOT NULL,
            factor TEXT NOT NULL, response TEXT NOT NULL, dose REAL NOT NULL,
            expected REAL NOT NULL, low REAL NOT NULL, high REAL NOT NULL,
            is_best INTEGER NOT NULL, made_ms INTEGER NOT NULL,
            PRIMARY KEY (trial, treatment)
        ) STRICT, WITHOUT ROWID;
        """,
    ),
    (
        "places",
        """
        -- where the water comes in, in rows and columns of pots: 0.5 is half a place beyond the first
        ALTER TABLE tray ADD COLUMN inlet_row REAL;
        ALTER TABLE tray ADD COLUMN inlet_column REAL;
        -- light at places, by hand. channel: ppfd, or light (lux)
        CREATE TABLE light_survey (
            site TEXT NOT NULL, tray TEXT NOT NULL, place_row INTEGER NOT NULL, place_column INTEGER NOT NULL,
            measured_ms INTEGER NOT NULL, channel TEXT NOT NULL, value REAL NOT NULL,
            PRIMARY KEY (site, tray, place_row, place_column, measured_ms, channel)
        ) STRICT, WITHOUT ROWID;
        """,
    ),
    (
        "audit trail",
        """
        -- a removal is an entry with removed = 1 that names what it takes away; entered_by and reason
        -- say who corrected or removed, and why. A row is replaced once at most: a trail has no forks
        ALTER TABLE weigh_in ADD COLUMN removed INTEGER NOT NULL DEFAULT 0;
        ALTER TABLE weigh_in ADD COLUMN entered_by TEXT NOT NULL DEFAULT '';
        ALTER TABLE weigh_in ADD COLUMN reason TEXT NOT NULL DEFAULT '';
        ALTER TABLE weigh_in ADD COLUMN balance TEXT NOT NULL DEFAULT '';
        CREATE UNIQUE INDEX weigh_in_replaced ON weigh_in (replaces) WHERE replaces IS NOT NULL;
        CREATE INDEX weigh_in_by_time ON weigh_in (trial, weighed_ms);
        CREATE TRIGGER weigh_in_not_edited BEFORE UPDATE ON weigh_in
        BEGIN
            SELECT RAISE(ABORT, 'weigh-ins are never edited');
        END;
        CREATE TRIGGER weigh_in_not_deleted BEFORE DELETE ON weigh_in
        BEGIN
            SELECT RAISE(ABORT, 'weigh-ins are never deleted');
        END;
        -- what happened to pots and trays; value: a lamp, a treatment, a dose, a place, the parent of a
        -- pot that was split off. An event is taken back by another one that names it
        CREATE TABLE event (
            id INTEGER PRIMARY KEY, trial TEXT NOT NULL REFERENCES trial, kind TEXT NOT NULL,
            happened_ms INTEGER NOT NULL, pot TEXT NOT NULL, tray TEXT NOT NULL,
            place_row INTEGER, place_column INTEGER, tare_g REAL, value TEXT NOT NULL,
            who TEXT NOT NULL, why TEXT NOT NULL, entered_ms INTEGER NOT NULL,
            takes_back INTEGER UNIQUE REFERENCES event
        ) STRICT;
        CREATE INDEX event_by_trial ON event (trial, happened_ms);
        CREATE TRIGGER event_not_edited BEFORE UPDATE ON event
        BEGIN
            SELECT RAISE(ABORT, 'events are never edited');
        END;
        CREATE TRIGGER event_not_deleted BEFORE DELETE ON event
        BEGIN
            SELECT RAISE(ABORT, 'events are never deleted');
        END;
        """,
    ),
    (
        "weighing and layout",
        """
        -- a scale, with the step of its display, and what it showed of a check weight
        CREATE TABLE balance (name TEXT PRIMARY KEY, resolution_g REAL NOT NULL, entered_ms INTEGER NOT NULL)
            STRICT, WITHOUT ROWID;
        CREATE TABLE check_weighing (
            id INTEGER PRIMARY KEY, balance TEXT NOT NULL REFERENCES balance, weighed_ms INTEGER NOT NULL,
            nominal_g REAL NOT NULL, shown_g REAL NOT NULL, who TEXT NOT NULL, entered_ms INTEGER NOT NULL
        ) STRICT;
        -- sampled pots on their way to constant mass; gross with the dish
        CREATE TABLE dry_weighing (
            id INTEGER PRIMARY KEY, trial TEXT NOT NULL, pot TEXT NOT NULL, weighed_ms INTEGER NOT NULL,
            gross_g REAL NOT NULL, dish_g REAL NOT NULL, oven_temp_c REAL NOT NULL,
            who TEXT NOT NULL, note TEXT NOT NULL, entered_ms INTEGER NOT NULL,
            FOREIGN KEY (trial, pot) REFERENCES pot
        ) STRICT;
        -- how a layout was drawn, and where its trays stand
        ALTER TABLE trial ADD COLUMN layout_seed INTEGER;
        ALTER TABLE assignment ADD COLUMN block TEXT NOT NULL DEFAULT '';
        ALTER TABLE assignment ADD COLUMN bench TEXT NOT NULL DEFAULT '';
        ALTER TABLE assignment ADD COLUMN bench_row INTEGER;
        ALTER TABLE assignment ADD COLUMN bench_column INTEGER;
        -- which column of a file is what, as said once: header in lower case -> column
        CREATE TABLE header_meaning (header TEXT PRIMARY KEY, meaning TEXT NOT NULL, entered_ms INTEGER NOT NULL)
            STRICT, WITHOUT ROWID;
        """,
    ),
    (
        "alarms",
        """
        ALTER TABLE tray ADD COLUMN drain TEXT NOT NULL DEFAULT 'hole';
        ALTER TABLE tray ADD COLUMN drain_drop_m REAL NOT NULL DEFAULT 0;
        ALTER TABLE tray ADD COLUMN standpipe_diameter_m REAL;
        -- place: tray, node, pump, site or recorder. since_ms: when it began by the readings; raised_ms: when it was
        -- found. known_ms: what is told of it counts from here on: raised, or unmuted, or unshelved.
        -- times: how often it began; muted_by: the alarm that is its cause; told: whether it was for anybody's ears
        CREATE TABLE alarm (
            id INTEGER PRIMARY KEY,
            site TEXT NOT NULL, place TEXT NOT NULL, name TEXT NOT NULL, kind TEXT NOT NULL, channel TEXT NOT NULL,
            priority TEXT NOT NULL, detail TEXT NOT NULL, since_ms INTEGER NOT NULL, raised_ms INTEGER NOT NULL,
            known_ms INTEGER NOT NULL, returned_ms INTEGER, returned_seen_ms INTEGER, times INTEGER NOT NULL,
            acknowledged_ms INTEGER, acknowledged_by TEXT, muted_by INTEGER REFERENCES alarm, told INTEGER NOT NULL
        ) STRICT;
        CREATE UNIQUE INDEX alarm_standing ON alarm (site, place, name, kind, channel) WHERE returned_ms IS NULL;
        CREATE INDEX alarm_by_time ON alarm (raised_ms);
        CREATE INDEX alarm_by_key ON alarm (site, place, name, kind, channel, since_ms);
        -- everything that happened to an alarm, in order: raised, again, returned, muted, acknowledged, shelved ...
        CREATE TABLE alarm_event (
            id INTEGER PRIMARY KEY, alarm INTEGER NOT NULL REFERENCES alarm, at_ms INTEGER NOT NULL,
            what TEXT NOT NULL, who TEXT NOT NULL, note TEXT NOT NULL
        ) STRICT;
        CREATE INDEX alarm_event_by_alarm ON alarm_event (alarm);
        CREATE TABLE shelf (
            site TEXT NOT NULL, place TEXT NOT NULL, name TEXT NOT NULL, kind TEXT NOT NULL, channel TEXT NOT NULL,
            until_ms INTEGER NOT NULL, who TEXT NOT NULL, shelved_ms INTEGER NOT NULL,
            PRIMARY KEY (site, place, name, kind, channel)
        ) STRICT, WITHOUT ROWID;
        -- what is to be sent, to a person or to an MQTT topic; gone from here only when it was sent
        CREATE TABLE outbox (
            id INTEGER PRIMARY KEY, alarm INTEGER REFERENCES alarm, recipient TEXT NOT NULL, what TEXT NOT NULL,
            made_ms INTEGER NOT NULL, due_ms INTEGER NOT NULL, tries INTEGER NOT NULL DEFAULT 0, error TEXT,
            sent_ms INTEGER
        ) STRICT;
        CREATE INDEX outbox_waiting ON outbox (due_ms) WHERE sent_ms IS NULL;
        CREATE INDEX outbox_by_alarm ON outbox (alarm, recipient);
        -- all that was received up to here has been watched
        CREATE TABLE alarm_mark (only_one INTEGER PRIMARY KEY CHECK (only_one = 1), watched_ms INTEGER NOT NULL) STRICT;
        -- from when on a tray's own filling and draining times are learned anew; what they were found to be
        CREATE TABLE own_times (
            site TEXT NOT NULL, tray TEXT NOT NULL, measure TEXT NOT NULL, from_ms INTEGER NOT NULL,
            factor REAL, spread REAL, cycles INTEGER NOT NULL, change REAL, since_ms INTEGER, warns INTEGER NOT NULL,
            PRIMARY KEY (site, tray, measure)
        ) STRICT, WITHOUT ROWID;
        """,
    ),
    (
        "water and warmth",
        """
        ALTER TABLE tray ADD COLUMN attenuation_per_m REAL;
        ALTER TABLE trial ADD COLUMN base_temp_c REAL;
        ALTER TABLE trial ADD COLUMN top_temp_c REAL;
        """,
    ),
    (
        "sealed readings",
        """
        -- a file of a site's readings of one month (UTC), beside the record. state: 'writing' (nothing counts on it),
        -- 'sealed' (its rows count), 'replaced' (another one counts; it is kept for a while for those who read it),
        -- 'removed' (it is gone; no other file is ever given its name).
        -- emptied_ms: when the last of its rows was gone from the table reading
        CREATE TABLE sealed (
            id INTEGER PRIMARY KEY, site TEXT NOT NULL, month TEXT NOT NULL, file TEXT NOT NULL UNIQUE,
            state TEXT NOT NULL CHECK (state IN ('writing', 'sealed', 'replaced', 'removed')), rows INTEGER NOT NULL,
            size_bytes INTEGER NOT NULL, sha256 TEXT NOT NULL, sealed_ms INTEGER NOT NULL, emptied_ms INTEGER,
            replaced_ms INTEGER
        ) STRICT;
        CREATE UNIQUE INDEX sealed_now ON sealed (site, month) WHERE state = 'sealed';
        -- the series in the files that count. place: row group; digest: SHA-256 over the columns
        CREATE TABLE sealed_part (
            series INTEGER NOT NULL, first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL, last_value REAL NOT NULL,
            rows INTEGER NOT NULL, sealed INTEGER NOT NULL REFERENCES sealed, place INTEGER NOT NULL,
            digest TEXT NOT NULL,
            PRIMARY KEY (series, first_ms)
        ) STRICT, WITHOUT ROWID;
        """,
    ),
    (
        "forwarding",
        """
        -- one row while readings are passed on. target: where to. What was there before that is walked by the keys
        -- of reading and hourly, up to which all is sent; NULL when the walk is over. history: readings in it
        CREATE TABLE forwarding (
            only_one INTEGER PRIMARY KEY CHECK (only_one = 1), target TEXT NOT NULL, history INTEGER NOT NULL,
            reading_series INTEGER, reading_ms INTEGER NOT NULL, hourly_series INTEGER, hourly_hour INTEGER NOT NULL
        ) STRICT;
        -- readings in the order in which they were recorded; gone from here when the server has them
        CREATE TABLE forward_queue (
            id INTEGER PRIMARY KEY AUTOINCREMENT, series INTEGER NOT NULL, time_ms INTEGER NOT NULL, value REAL NOT NULL
        ) STRICT;
        -- hours that changed; change: another number each time, so that a change while it is sent is not forgotten
        CREATE TABLE forward_hour (
            series INTEGER NOT NULL, hour INTEGER NOT NULL, change INTEGER NOT NULL, PRIMARY KEY (series, hour)
        ) STRICT, WITHOUT ROWID;
        CREATE TRIGGER reading_to_forward AFTER INSERT ON reading WHEN EXISTS (SELECT 1 FROM forwarding)
        BEGIN
            INSERT INTO forward_queue (series, time_ms, value) VALUES (new.series, new.time_ms, new.value);
        END;
        -- deleted first: inside a trigger OR REPLACE would give way to what the outer statement does on a conflict
        CREATE TRIGGER hour_to_forward AFTER INSERT ON hourly WHEN EXISTS (SELECT 1 FROM forwarding)
        BEGIN
            DELETE FROM forward_hour WHERE series = new.series AND hour = new.hour;
            INSERT INTO forward_hour VALUES (new.series, new.hour, random());
        END;
        CREATE TRIGGER changed_hour_to_forward AFTER UPDATE ON hourly WHEN EXISTS (SELECT 1 FROM forwarding)
        BEGIN
            DELETE FROM forward_hour WHERE series = new.series AND hour = new.hour;
            INSERT INTO forward_hour VALUES (new.series, new.hour, random());
        END;
        """,
    ),
    (
        "quarantine by message",
        """
        -- One row a message. kind, reason: the first of its reasons, which holds for so many of its records; others:
        -- the rest, as JSON [[kind, reason, records], ...], or empty. times, last_ms: how often it came, and when last.
        -- digest: 16 bytes of topic and payload, NULL where the same bytes may be another message. claims: the message
        -- number that a message claims of which nothing could be read
        -- settled_ms: when it was recorded after all; looked_at_ms: when a person had looked at it
        CREATE TABLE quarantine_by_message (
            id INTEGER PRIMARY KEY, received_ms INTEGER NOT NULL, topic TEXT NOT NULL,
            kind TEXT NOT NULL, reason TEXT NOT NULL, records INTEGER NOT NULL DEFAULT 1,
            others TEXT NOT NULL DEFAULT '',
            payload BLOB NOT NULL, payload_bytes INTEGER NOT NULL, digest BLOB, claims TEXT,
            times INTEGER NOT NULL DEFAULT 1, last_ms INTEGER, settled_ms INTEGER, looked_at_ms INTEGER
        ) STRICT;
        -- until now a row for each bad record, each with the whole message: those of one message become one row
        INSERT INTO quarantine_by_message
            (id, received_ms, topic, kind, reason, records, others, payload, payload_bytes, settled_ms)
        WITH of_kind AS (
            SELECT received_ms, topic, payload, payload_bytes, kind, min(id) AS id, min(reason) AS reason,
                count(*) AS records, CASE WHEN count(*) = count(settled_ms) THEN max(settled_ms) END AS settled_ms
            FROM quarantine GROUP BY received_ms, topic, payload, payload_bytes, kind
        ), placed AS (
            SELECT *, row_number() OVER (
                PARTITION BY received_ms, topic, payload, payload_bytes
                ORDER BY settled_ms IS NOT NULL, kind != 'unknown-tray', kind != 'time', kind != 'no-clock',
                    kind != 'fault', kind != 'number-twice', id
            ) AS place FROM of_kind
        )
        SELECT min(id), received_ms, topic, max(kind) FILTER (WHERE place = 1), max(reason) FILTER (WHERE place = 1),
            max(records) FILTER (WHERE place = 1),
            iif(count(*) = 1, '', json_group_array(json_array(kind, reason, records)) FILTER (WHERE place > 1)),
            payload, payload_bytes, iif(count(*) = count(settled_ms), max(settled_ms), NULL)
        FROM placed GROUP BY received_ms, topic, payload, payload_bytes;
        DROP TABLE quarantine;
        ALTER TABLE quarantine_by_message RENAME TO quarantine;
        CREATE INDEX quarantine_open ON quarantine (kind, id) WHERE settled_ms IS NULL;
        CREATE INDEX quarantine_digest ON quarantine (digest) WHERE digest IS NOT NULL;
        CREATE INDEX quarantine_claims ON quarantine (claims) WHERE claims IS NOT NULL;
        CREATE INDEX quarantine_done ON quarantine (received_ms)
            WHERE settled_ms IS NOT NULL OR looked_at_ms IS NOT NULL;
        -- the trays that a message waits for; two empty names: not known yet, to be tried once
        CREATE TABLE quarantine_tray (
            site TEXT NOT NULL, tray TEXT NOT NULL, message INTEGER NOT NULL, PRIMARY KEY (site, tray, message)
        ) STRICT, WITHOUT ROWID;
        CREATE INDEX quarantine_tray_by_message ON quarantine_tray (message);
        INSERT INTO quarantine_tray
            SELECT '', '', id FROM quarantine WHERE kind = 'unknown-tray' AND settled_ms IS NULL;
        -- of a node (or of all that is no node's: '') on a day (since 1970): bytes kept that nothing can cure, bytes
        -- that may be recorded later, and what was only counted, for there was too much of it
        CREATE TABLE quarantine_day (
            owner TEXT NOT NULL, day INTEGER NOT NULL, kept_bytes INTEGER NOT NULL, curable_bytes INTEGER NOT NULL,
            counted_messages INTEGER NOT NULL, counted_bytes INTEGER NOT NULL, PRIMARY KEY (owner, day)
        ) STRICT, WITHOUT ROWID;
        INSERT INTO counter SELECT 'quarantine_bytes', coalesce(sum(
            100 + length(payload) + length(topic) + length(reason) + length(others)), 0) FROM quarantine;
        """,
    ),
    (
        "charts of slow change",
        """
        -- the control charts of a tray's filling or draining, up to the cycle of that number, as text.
        -- basis: what they rest on beside the cycles; charts of another basis do not count
        CREATE TABLE cycle_chart (
            site TEXT NOT NULL, tray TEXT NOT NULL, measure TEXT NOT NULL, number INTEGER NOT NULL,
            basis TEXT NOT NULL, chart TEXT NOT NULL,
            PRIMARY KEY (site, tray, measure, number)
        ) STRICT, WITHOUT ROWID;
        """,
    ),
    (
        "what nobody noted",
        """
        -- noted = 0: no tray at all. It stands for the pots of a treatment whose trays nobody noted
        ALTER TABLE tray ADD COLUMN noted INTEGER NOT NULL DEFAULT 1;
        -- tare_noted = 0: nobody noted what the empty pot weighs; tare_g is 0 then and means nothing
        ALTER TABLE pot ADD COLUMN tare_noted INTEGER NOT NULL DEFAULT 1;
        ALTER TABLE weigh_in ADD COLUMN tare_noted INTEGER NOT NULL DEFAULT 1;
        -- NULL: the place of the pot on its tray was not noted
        CREATE TABLE placement_or_none (
            trial TEXT NOT NULL, pot TEXT NOT NULL, from_ms INTEGER NOT NULL,
            tray TEXT NOT NULL, place_row INTEGER, place_column INTEGER,
            PRIMARY KEY (trial, pot, from_ms),
            FOREIGN KEY (trial, pot) REFERENCES pot
        ) STRICT, WITHOUT ROWID;
        INSERT INTO placement_or_none SELECT trial, pot, from_ms, tray, place_row, place_column FROM placement;
        DROP TABLE placement;
        ALTER TABLE placement_or_none RENAME TO placement;
        """,
    ),
    (
        "trials corrected and ended",
        """
        -- ended_ms: nothing is asked of the trial after that; NULL while it runs. archived: not offered any more
        ALTER TABLE trial ADD COLUMN ended_ms INTEGER;
        ALTER TABLE trial ADD COLUMN archived INTEGER NOT NULL DEFAULT 0;
        -- what was changed of a trial itself, never of its entries. what: begun, added, corrected, renamed, ended,
        -- resumed, archived, brought back, undone. kind: trial, treatment, tray or pot; was, becomes: JSON
        CREATE TABLE trial_change (
            id INTEGER PRIMARY KEY, trial TEXT NOT NULL, made_ms INTEGER NOT NULL, what TEXT NOT NULL,
            kind TEXT NOT NULL, name TEXT NOT NULL, field TEXT NOT NULL, was TEXT NOT NULL, becomes TEXT NOT NULL,
            who TEXT NOT NULL, why TEXT NOT NULL
        ) STRICT;
        CREATE INDEX trial_change_by_trial ON trial_change (trial);
        CREATE TRIGGER trial_change_not_edited BEFORE UPDATE ON trial_change WHEN new.trial = old.trial
        BEGIN
            SELECT RAISE(ABORT, 'the history of a trial is never edited');
        END;
        CREATE TRIGGER trial_change_not_deleted BEFORE DELETE ON trial_change
        BEGIN
            SELECT RAISE(ABORT, 'the history of a trial is never deleted');
        END;
        """,
    ),
    (
        "the order of treatments",
        # in which the trial's file lists them: pages draw each in the colour and shape of its place
        "ALTER TABLE treatment ADD COLUMN listed INTEGER NOT NULL DEFAULT 0;",
    ),
    (
        "state of the watch",
        """
        -- what the alarms' rules knew when: a start goes on from there, and reads what came since
        CREATE TABLE alarm_watch (
            only_one INTEGER PRIMARY KEY CHECK (only_one = 1), kept_ms INTEGER NOT NULL, state BLOB NOT NULL
        ) STRICT;
        """,
    ),
    (
        "timetables",
        """
        -- from when on alarms watch the floods of a trial: a person said that its trays are ready. Trials until now
        -- were watched from their start
        CREATE TABLE trays_ready (trial TEXT PRIMARY KEY, ready_ms INTEGER NOT NULL, who TEXT NOT NULL)
            STRICT, WITHOUT ROWID;
        INSERT INTO trays_ready SELECT name, started_ms, '' FROM trial;
        -- when the floods of a tray under a treatment start, from a time on: seconds after midnight by the clock on
        -- the wall, by spaces. Without a row: at the flood times of the treatment
        CREATE TABLE start_times (
            trial TEXT NOT NULL, tray TEXT NOT NULL, treatment TEXT NOT NULL, from_ms INTEGER NOT NULL,
            starts_s TEXT NOT NULL,
            PRIMARY KEY (trial, tray, treatment, from_ms)
        ) STRICT, WITHOUT ROWID;
        -- a trial's timetable was published to nodes, or stopped; ends_ms: when it is to end, NULL: with the trial
        CREATE TABLE timetable_act (
            id INTEGER PRIMARY KEY, trial TEXT NOT NULL, what TEXT NOT NULL CHECK (what IN ('published', 'stopped')),
            at_ms INTEGER NOT NULL, ends_ms INTEGER, who TEXT NOT NULL
        ) STRICT;
        CREATE INDEX timetable_act_by_trial ON timetable_act (trial, at_ms);
        -- what was sent last for each tray: starts in seconds after midnight UTC, by spaces
        CREATE TABLE timetable_sent (
            site TEXT NOT NULL, tray TEXT NOT NULL, trial TEXT NOT NULL, node TEXT NOT NULL, number INTEGER NOT NULL,
            starts_s TEXT NOT NULL, wet_s INTEGER NOT NULL, until_s INTEGER NOT NULL, sent_ms INTEGER NOT NULL,
            PRIMARY KEY (site, tray)
        ) STRICT, WITHOUT ROWID;
        -- they go with their trial, and follow the names of trial, treatment and tray
        CREATE TRIGGER timetable_of_no_trial AFTER DELETE ON trial
        BEGIN
            DELETE FROM trays_ready WHERE trial = old.name;
            DELETE FROM start_times WHERE trial = old.name;
            DELETE FROM timetable_act WHERE trial = old.name;
        END;
        CREATE TRIGGER timetable_of_renamed_trial AFTER UPDATE OF name ON trial
        BEGIN
            UPDATE trays_ready SET trial = new.name WHERE trial = old.name;
            UPDATE start_times SET trial = new.name WHERE trial = old.name;
            UPDATE timetable_act SET trial = new.name WHERE trial = old.name;
            UPDATE timetable_sent SET trial = new.name WHERE trial = old.name;
        END;
        CREATE TRIGGER timetable_of_renamed_treatment AFTER UPDATE OF name ON treatment
        BEGIN
            UPDATE start_times SET treatment = new.name WHERE trial = new.trial AND treatment = old.name;
        END;
        CREATE TRIGGER timetable_of_corrected_treatment AFTER UPDATE OF flood_times ON treatment
            WHEN old.flood_times != new.flood_times
        BEGIN
            DELETE FROM start_times WHERE trial = new.trial AND treatment = new.name;
        END;
        CREATE TRIGGER timetable_of_renamed_tray AFTER UPDATE OF name ON tray
        BEGIN
            UPDATE start_times SET tray = new.name
                WHERE tray = old.name AND trial IN (SELECT name FROM trial WHERE site = new.site);
            UPDATE timetable_sent SET tray = new.name WHERE site = new.site AND tray = old.name;
        END;
        -- until when the node's timetable holds, as it says itself [s since 1970]; NULL: it has none, or says nothing
        ALTER TABLE node ADD COLUMN timetable_until_s INTEGER;
        """,
    ),
    (
        "gaps folded",
        # of many gaps the oldest are one: how many numbers between them came, though it is not known any more which
        "ALTER TABLE message_gap ADD COLUMN came INTEGER NOT NULL DEFAULT 0;",
    ),
    (
        "hours by column",
        """
        -- a copy of 512 hours of a series, packed by column (hour_blocks.py); block: hour / 512. Gone as soon as one of
        -- these hours changes
        CREATE TABLE hour_block (
            series INTEGER NOT NULL, block INTEGER NOT NULL, hours BLOB NOT NULL, PRIMARY KEY (series, block)
        ) STRICT;
        CREATE TRIGGER block_of_new_hour AFTER INSERT ON hourly
            WHEN EXISTS (SELECT 1 FROM hour_block WHERE series = new.series AND block = new.hour / 512)
        BEGIN
            DELETE FROM hour_block WHERE series = new.series AND block = new.hour / 512;
        END;
        CREATE TRIGGER block_of_changed_hour AFTER UPDATE ON hourly
            WHEN EXISTS (SELECT 1 FROM hour_block WHERE series = new.series AND block = new.hour / 512)
        BEGIN
            DELETE FROM hour_block WHERE series = new.series AND block = new.hour / 512;
        END;
        CREATE TRIGGER block_of_hour_gone AFTER DELETE ON hourly
            WHEN EXISTS (SELECT 1 FROM hour_block WHERE series = old.series AND block = old.hour / 512)
        BEGIN
            DELETE FROM hour_block WHERE series = old.series AND block = old.hour / 512;
        END;
        """,
    ),
    (
        "tail",
        """
        -- what commits append, in their order: readings that are not in `reading` and `hourly` yet, packed (tail.py),
        -- how many, and what the commit says of nodes, message numbers and counts (tail_notes.py)
        CREATE TABLE tail (id INTEGER PRIMARY KEY, notes BLOB NOT NULL, count INTEGER NOT NULL, rows BLOB NOT NULL)
            STRICT;
        -- of a series: up to which id of the tail its readings are in `reading` and `hourly`
        CREATE TABLE tail_folded (series INTEGER PRIMARY KEY, upto INTEGER NOT NULL) STRICT;
        -- change: another number after each folding; upto: the last id that is gone; noted: up to which id notes are in
        -- their tables; folding: 1 within a transaction that folds, whose readings are not new to anybody
        CREATE TABLE tail_state (
            only_one INTEGER PRIMARY KEY CHECK (only_one = 1), change INTEGER NOT NULL, upto INTEGER NOT NULL,
            noted INTEGER NOT NULL, folding INTEGER NOT NULL
        ) STRICT;
        INSERT INTO tail_state VALUES (1, 0, 0, 0, 0);
        DROP TRIGGER reading_to_forward;
        DROP TRIGGER hour_to_forward;
        DROP TRIGGER changed_hour_to_forward;
        CREATE TRIGGER reading_to_forward AFTER INSERT ON reading
            WHEN EXISTS (SELECT 1 FROM forwarding) AND NOT (SELECT folding FROM tail_state)
        BEGIN
            INSERT INTO forward_queue (series, time_ms, value) VALUES (new.series, new.time_ms, new.value);
        END;
        CREATE TRIGGER hour_to_forward AFTER INSERT ON hourly
            WHEN EXISTS (SELECT 1 FROM forwarding) AND NOT (SELECT folding FROM tail_state)
        BEGIN
            DELETE FROM forward_hour WHERE series = new.series AND hour = new.hour;
            INSERT INTO forward_hour VALUES (new.series, new.hour, random());
        END;
        CREATE TRIGGER changed_hour_to_forward AFTER UPDATE ON hourly
            WHEN EXISTS (SELECT 1 FROM forwarding) AND NOT (SELECT folding FROM tail_state)
        BEGIN
            DELETE FROM forward_hour WHERE series = new.series AND hour = new.hour;
            INSERT INTO forward_hour VALUES (new.series, new.hour, random());
        END;
        """,
    ),
)
