-- +goose Up

-- An API key without its secret. It can end, and nothing else of it changes: a role
-- that was given for reading does not become another.

CREATE TABLE api_key (
    id         text COLLATE "C" PRIMARY KEY CHECK (id <> ''),
    name       text NOT NULL,
    role       text NOT NULL CHECK (role IN ('viewer', 'analyst', 'admin')),
    hash       text COLLATE "C" NOT NULL UNIQUE CHECK (hash ~ '^[0-9a-f]{64}$'),
    created_at timestamptz NOT NULL,
    expires_at timestamptz,
    revoked_at timestamptz
);

-- Who changed what. Entries are numbered without gaps, each with a hash over itself
-- and the one before; once written, none can be changed or taken away.

CREATE TABLE journal (
    number      integer PRIMARY KEY CHECK (number >= 1),
    at          timestamptz NOT NULL,
    actor       text NOT NULL CHECK (actor <> ''),
    action      text NOT NULL CHECK (action <> ''),
    target      text NOT NULL CHECK (target <> ''),
    request_id  text NOT NULL,
    hash_before text NOT NULL,
    hash_after  text NOT NULL,
    hash        text NOT NULL CHECK (hash ~ '^[0-9a-f]{64}$')
);

-- What came of requests that named themselves, for a day.

CREATE TABLE remembered_request (
    actor       text COLLATE "C" NOT NULL,
    operation   text COLLATE "C" NOT NULL,
    key         text COLLATE "C" NOT NULL,
    fingerprint text NOT NULL CHECK (fingerprint ~ '^[0-9a-f]{64}$'),
    location    text NOT NULL,
    status      integer NOT NULL CHECK (status BETWEEN 200 AND 299),
    at          timestamptz NOT NULL,
    PRIMARY KEY (actor, operation, key)
);

CREATE INDEX remembered_request_at ON remembered_request (at);

-- Writers of the journal wait for each other, to the end of the transaction: a number
-- is given out only behind one that is there to stay.

-- +goose StatementBegin
CREATE FUNCTION journal_insert() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_advisory_xact_lock(hashtextextended('journal', 1));
    IF NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM journal) THEN
        RAISE EXCEPTION 'the journal is numbered without gaps' USING ERRCODE = 'SL002';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE FUNCTION journal_immutable() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the journal cannot be changed or deleted' USING ERRCODE = 'SL001';
END
$$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE FUNCTION api_key_update() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.revoked_at IS NOT NULL OR (NEW.id, NEW.name, NEW.role, NEW.hash, NEW.created_at, NEW.expires_at)
        IS DISTINCT FROM (OLD.id, OLD.name, OLD.role, OLD.hash, OLD.created_at, OLD.expires_at) THEN
        RAISE EXCEPTION 'a key can be revoked, once, and nothing else of it changes' USING ERRCODE = 'SL001';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE FUNCTION api_key_delete() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'a key is revoked, never deleted' USING ERRCODE = 'SL001';
END
$$;
-- +goose StatementEnd

CREATE TRIGGER journal_insert BEFORE INSERT ON journal FOR EACH ROW EXECUTE FUNCTION journal_insert();
CREATE TRIGGER journal_immutable BEFORE UPDATE OR DELETE ON journal FOR EACH ROW EXECUTE FUNCTION journal_immutable();
CREATE TRIGGER journal_truncate BEFORE TRUNCATE ON journal FOR EACH STATEMENT EXECUTE FUNCTION journal_immutable();

CREATE TRIGGER api_key_update BEFORE UPDATE ON api_key FOR EACH ROW EXECUTE FUNCTION api_key_update();
CREATE TRIGGER api_key_delete BEFORE DELETE ON api_key FOR EACH ROW EXECUTE FUNCTION api_key_delete();
CREATE TRIGGER api_key_truncate BEFORE TRUNCATE ON api_key FOR EACH STATEMENT EXECUTE FUNCTION api_key_delete();

-- +goose Down
DROP TABLE remembered_request;
DROP TABLE journal;
DROP TABLE api_key;
DROP FUNCTION api_key_delete();
DROP FUNCTION api_key_update();
DROP FUNCTION journal_immutable();
DROP FUNCTION journal_insert();
