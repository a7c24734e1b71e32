-- Prepares a PostgreSQL database, version 15 or later, for journals. An administrator runs it once:
--
--     createdb --encoding=UTF8 excursions
--     tracker journals --prepare | psql --single-transaction -v ON_ERROR_STOP=1 -d excursions
--
-- People get a login of their own in one of two roles; psql asks for the password:
--
--     createuser --pwprompt --role=tracker_write lead
--     createuser --pwprompt --role=tracker_read watcher
--
-- Who writes may add to journals and change nothing; who reads may only read. No login is in tracker_owner.

DO $$
BEGIN
  IF current_setting('server_encoding') <> 'UTF8' THEN
    RAISE 'the database is not in UTF-8: create it with --encoding=UTF8';
  END IF;
  IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'tracker_owner') THEN CREATE ROLE tracker_owner NOLOGIN; END IF;
  IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'tracker_write') THEN CREATE ROLE tracker_write NOLOGIN; END IF;
  IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'tracker_read') THEN CREATE ROLE tracker_read NOLOGIN; END IF;
  EXECUTE format('REVOKE TEMPORARY ON DATABASE %I FROM PUBLIC', current_database());
END $$;
GRANT tracker_owner TO CURRENT_USER;
CREATE SCHEMA tracker AUTHORIZATION tracker_owner;
SET ROLE tracker_owner;

-- What each journal was created with.
CREATE TABLE tracker.journals (
  id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  name text COLLATE "C" NOT NULL UNIQUE CHECK (name ~ '^[A-Za-z0-9][A-Za-z0-9._-]{0,99}$'),
  format integer NOT NULL,
  uuid text NOT NULL,
  created text NOT NULL,
  rehearsal boolean NOT NULL,
  plan_name text NOT NULL,
  plan text NOT NULL,
  pace_name text,
  pace text,
  hash text NOT NULL
);

-- What happened, in a chain of hashes.
CREATE TABLE tracker.events (
  journal integer NOT NULL REFERENCES tracker.journals,
  number integer NOT NULL CHECK (number > 0),
  kind text NOT NULL,
  at double precision NOT NULL CHECK (abs(at) < 1e15),
  stated boolean NOT NULL,
  recorded text NOT NULL,
  seat text NOT NULL,
  body text NOT NULL CHECK (json_typeof(body::json) = 'object'),
  hash text NOT NULL,
  PRIMARY KEY (journal, number)
);

-- What was written together under one name, so that no second try writes it twice; in no chain.
CREATE TABLE tracker.jobs (
  journal integer NOT NULL REFERENCES tracker.journals,
  job uuid NOT NULL,
  first integer NOT NULL,
  last integer NOT NULL,
  taken timestamptz NOT NULL DEFAULT clock_timestamp(),
  PRIMARY KEY (journal, job)
);

-- As-run against planned; derived from the events, seconds.
CREATE TABLE tracker.as_run_rows (
  journal integer NOT NULL REFERENCES tracker.journals,
  place integer NOT NULL,
  task text, step text, "do" text, crew text, work text, status text,
  planned_start double precision, planned_finish double precision, planned_duration double precision,
  actual_start double precision, actual_finish double precision, actual_duration double precision,
  variance double precision, waited double precision, held double precision,
  begin_kind text, entry_lag double precision, seat text,
  PRIMARY KEY (journal, place)
);
CREATE VIEW tracker.as_run AS
  SELECT j.name AS journal, task, step, "do", crew, work, status, planned_start, planned_finish,
    planned_duration, actual_start, actual_finish, actual_duration, variance, waited, held, begin_kind,
    entry_lag, seat
  FROM tracker.as_run_rows AS r JOIN tracker.journals AS j ON j.id = r.journal ORDER BY r.journal, place;

CREATE TABLE tracker.as_spent_rows (
  journal integer NOT NULL REFERENCES tracker.journals,
  place integer NOT NULL,
  crew text, start double precision, finish double precision, kind text, step text, cause text,
  PRIMARY KEY (journal, place)
);
CREATE VIEW tracker.as_spent AS
  SELECT j.name AS journal, crew, start, finish, kind, step, cause
  FROM tracker.as_spent_rows AS r JOIN tracker.journals AS j ON j.id = r.journal ORDER BY r.journal, place;

-- Estimates as they were shown; in no chain, they can be made again.
CREATE TABLE tracker.estimates (
  journal integer NOT NULL REFERENCES tracker.journals,
  id integer NOT NULL,
  event integer NOT NULL,
  at double precision NOT NULL,
  shown text NOT NULL,
  inside_p10 double precision GENERATED ALWAYS AS ((estimate::json #>> '{inside,p10}')::double precision) STORED,
  inside_p50 double precision GENERATED ALWAYS AS ((estimate::json #>> '{inside,p50}')::double precision) STORED,
  inside_p90 double precision GENERATED ALWAYS AS ((estimate::json #>> '{inside,p90}')::double precision) STORED,
  safe double precision GENERATED ALWAYS AS ((estimate::json ->> 'safe')::double precision) STORED,
  estimate text NOT NULL CHECK (json_typeof(estimate::json) = 'object'),
  digest text NOT NULL,
  PRIMARY KEY (journal, id)
);

-- The hash of an event: over the hash before it, a line feed, and its row as a JSON array.
CREATE FUNCTION tracker.sealed(before text, n integer, kind text, at double precision, stated boolean,
  recorded text, seat text, body text) RETURNS text LANGUAGE sql IMMUTABLE AS $$
  SELECT encode(sha256(convert_to(before || chr(10) || '[' || n || ',' || to_json(kind)::text || ',' ||
    CASE WHEN at = trunc(at) THEN at::bigint || '.0' ELSE at::text END || ',' || stated::text || ',' ||
    to_json(recorded)::text || ',' || to_json(seat)::text || ',' || to_json(body)::text || ']', 'UTF8')), 'hex')
$$;

CREATE FUNCTION tracker.follows() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE last integer; before text;
BEGIN
  SELECT e.number, e.hash INTO last, before FROM tracker.events AS e
    WHERE e.journal = NEW.journal ORDER BY e.number DESC LIMIT 1;
  IF NOT FOUND THEN
    SELECT 0, j.hash INTO last, before FROM tracker.journals AS j WHERE j.id = NEW.journal;
  END IF;
  IF NEW.number <= last THEN
    RAISE 'event % is there already', NEW.number USING ERRCODE = 'TRK01';
  ELSIF NEW.number <> last + 1 THEN
    RAISE 'events are numbered without a gap: % does not follow %', NEW.number, last USING ERRCODE = 'TRK02';
  ELSIF NEW.hash IS DISTINCT FROM tracker.sealed(before, NEW.number, NEW.kind, NEW.at, NEW.stated,
      NEW.recorded, NEW.seat, NEW.body) THEN
    RAISE 'the hash of event % does not fit', NEW.number USING ERRCODE = 'TRK03';
  END IF;
  RETURN NEW;
END $$;
CREATE TRIGGER follows BEFORE INSERT ON tracker.events FOR EACH ROW EXECUTE FUNCTION tracker.follows();

CREATE FUNCTION tracker.refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  RAISE 'a journal is never changed, only added to' USING ERRCODE = 'TRK09';
END $$;
CREATE TRIGGER refuse BEFORE UPDATE OR DELETE OR TRUNCATE ON tracker.journals EXECUTE FUNCTION tracker.refuse();
CREATE TRIGGER refuse BEFORE UPDATE OR DELETE OR TRUNCATE ON tracker.events EXECUTE FUNCTION tracker.refuse();
CREATE TRIGGER refuse BEFORE UPDATE OR DELETE OR TRUNCATE ON tracker.jobs EXECUTE FUNCTION tracker.refuse();
CREATE TRIGGER refuse BEFORE UPDATE OR DELETE OR TRUNCATE ON tracker.estimates EXECUTE FUNCTION tracker.refuse();

-- Puts rows into their places in the derived tables and takes others out.
CREATE FUNCTION tracker.put_as_run(p_journal integer, p_put json, p_gone integer[]) RETURNS void
LANGUAGE plpgsql AS $$
BEGIN
  DELETE FROM tracker.as_run_rows AS r
    WHERE r.journal = p_journal AND (r.place = ANY (p_gone) OR r.place IN (SELECT (row ->> 'place')::integer
      FROM json_array_elements(p_put) AS row));
  INSERT INTO tracker.as_run_rows SELECT p_journal, row.* FROM json_to_recordset(p_put) AS row(
    place integer, task text, step text, "do" text, crew text, work text, status text,
    planned_start double precision, planned_finish double precision, planned_duration double precision,
    actual_start double precision, actual_finish double precision, actual_duration double precision,
    variance double precision, waited double precision, held double precision,
    begin_kind text, entry_lag double precision, seat text);
END $$;

CREATE FUNCTION tracker.put_as_spent(p_journal integer, p_put json, p_gone integer[]) RETURNS void
LANGUAGE plpgsql AS $$
BEGIN
  DELETE FROM tracker.as_spent_rows AS r
    WHERE r.journal = p_journal AND (r.place = ANY (p_gone) OR r.place IN (SELECT (row ->> 'place')::integer
      FROM json_array_elements(p_put) AS row));
  INSERT INTO tracker.as_spent_rows SELECT p_journal, row.* FROM json_to_recordset(p_put) AS row(
    place integer, crew text, start double precision, finish double precision, kind text, step text, cause text);
END $$;

-- Appends events together, all or none. Under the name of a job that is there already nothing is written, and
-- its numbers come back; where that job is still being written it is waited for.
CREATE FUNCTION tracker.append(p_journal integer, p_job uuid, p_number integer[], p_kind text[],
  p_at double precision[], p_stated boolean[], p_recorded text[], p_seat text[], p_body text[], p_hash text[],
  p_run json, p_run_gone integer[], p_spent json, p_spent_gone integer[])
RETURNS TABLE (first integer, last integer, again boolean) LANGUAGE plpgsql AS $$
#variable_conflict use_column
DECLARE n integer := cardinality(p_number);
BEGIN
  PERFORM pg_advisory_xact_lock(7262, p_journal);
  INSERT INTO tracker.jobs (journal, job, first, last) VALUES (p_journal, p_job, p_number[1], p_number[n])
    ON CONFLICT (journal, job) DO NOTHING;
  IF NOT FOUND THEN
    RETURN QUERY SELECT j.first, j.last, true FROM tracker.jobs AS j
      WHERE j.journal = p_journal AND j.job = p_job;
    RETURN;
  END IF;
  INSERT INTO tracker.events SELECT p_journal, e.*
    FROM unnest(p_number, p_kind, p_at, p_stated, p_recorded, p_seat, p_body, p_hash) AS e;
  PERFORM tracker.put_as_run(p_journal, p_run, p_run_gone);
  PERFORM tracker.put_as_spent(p_journal, p_spent, p_spent_gone);
  PERFORM pg_notify('tracker_' || p_journal, p_number[n]::text);
  RETURN QUERY SELECT p_number[1], p_number[n], false;
END $$;

CREATE FUNCTION tracker.show(p_journal integer, p_event integer, p_at double precision, p_shown text,
  p_estimate text, p_digest text) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
  PERFORM pg_advisory_xact_lock(7262, p_journal);
  INSERT INTO tracker.estimates (journal, id, event, at, shown, estimate, digest)
    SELECT p_journal, coalesce(max(e.id), 0) + 1, p_event, p_at, p_shown, p_estimate, p_digest
    FROM tracker.estimates AS e WHERE e.journal = p_journal;
END $$;

REVOKE ALL ON SCHEMA tracker FROM PUBLIC;
REVOKE EXECUTE ON ALL FUNCTIONS IN SCHEMA tracker FROM PUBLIC;
GRANT USAGE ON SCHEMA tracker TO tracker_write, tracker_read;
GRANT SELECT ON ALL TABLES IN SCHEMA tracker TO tracker_write, tracker_read;
GRANT INSERT ON tracker.journals, tracker.events, tracker.jobs, tracker.estimates TO tracker_write;
GRANT INSERT, UPDATE, DELETE ON tracker.as_run_rows, tracker.as_spent_rows TO tracker_write;
GRANT EXECUTE ON ALL FUNCTIONS IN SCHEMA tracker TO tracker_write;
RESET ROLE;
