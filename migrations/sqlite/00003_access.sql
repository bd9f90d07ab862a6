-- +goose NO TRANSACTION
-- The whole run of migrations is one transaction here, opened by the caller.

-- +goose Up

-- An API key without its secret. It can end, and nothing else of it changes: a role
-- that was given for reading does not become another.

CREATE TABLE api_key (
    id         TEXT NOT NULL PRIMARY KEY CHECK (id <> ''),
    name       TEXT NOT NULL,
    role       TEXT NOT NULL CHECK (role IN ('viewer', 'analyst', 'admin')),
    hash       TEXT NOT NULL UNIQUE CHECK (length(hash) = 64 AND hash NOT GLOB '*[^0-9a-f]*'),
    created_at TEXT NOT NULL CHECK (created_at GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].[0-9][0-9][0-9][0-9][0-9][0-9]Z'),
    expires_at TEXT CHECK (expires_at GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].[0-9][0-9][0-9][0-9][0-9][0-9]Z'),
    revoked_at TEXT CHECK (revoked_at GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].[0-9][0-9][0-9][0-9][0-9][0-9]Z')
) STRICT, WITHOUT ROWID;

-- Who changed what. Entries are numbered without gaps, each with a hash over itself
-- and the one before; once written, none can be changed or taken away.

CREATE TABLE journal (
    number      INTEGER NOT NULL PRIMARY KEY CHECK (number >= 1),
    at          TEXT NOT NULL CHECK (at GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].[0-9][0-9][0-9][0-9][0-9][0-9]Z'),
    actor       TEXT NOT NULL CHECK (actor <> ''),
    action      TEXT NOT NULL CHECK (action <> ''),
    target      TEXT NOT NULL CHECK (target <> ''),
    request_id  TEXT NOT NULL,
    hash_before TEXT NOT NULL,
    hash_after  TEXT NOT NULL,
    hash        TEXT NOT NULL CHECK (length(hash) = 64 AND hash NOT GLOB '*[^0-9a-f]*')
) STRICT, WITHOUT ROWID;

-- What came of requests that named themselves, for a day.

CREATE TABLE remembered_request (
    actor       TEXT NOT NULL,
    operation   TEXT NOT NULL,
    key         TEXT NOT NULL,
    fingerprint TEXT NOT NULL CHECK (length(fingerprint) = 64 AND fingerprint NOT GLOB '*[^0-9a-f]*'),
    location    TEXT NOT NULL,
    status      INTEGER NOT NULL CHECK (status BETWEEN 200 AND 299),
    at          TEXT NOT NULL CHECK (at GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].[0-9][0-9][0-9][0-9][0-9][0-9]Z'),
    PRIMARY KEY (actor, operation, key)
) STRICT, WITHOUT ROWID;

CREATE INDEX remembered_request_at ON remembered_request (at);

-- INSERT OR REPLACE deletes without firing the trigger on DELETE, so what stands
-- already is refused before it.

-- +goose StatementBegin
CREATE TRIGGER journal_insert BEFORE INSERT ON journal
BEGIN
    SELECT RAISE(ABORT, 'the journal is numbered without gaps')
    WHERE NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM journal);
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER journal_update BEFORE UPDATE ON journal
BEGIN
    SELECT RAISE(ABORT, 'the journal cannot be changed');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER journal_delete BEFORE DELETE ON journal
BEGIN
    SELECT RAISE(ABORT, 'the journal cannot be deleted');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER api_key_insert BEFORE INSERT ON api_key
BEGIN
    SELECT RAISE(ABORT, 'a key cannot be replaced')
    WHERE EXISTS (SELECT 1 FROM api_key WHERE id = NEW.id OR hash = NEW.hash);
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER api_key_update BEFORE UPDATE ON api_key
BEGIN
    SELECT RAISE(ABORT, 'a key can be revoked, once, and nothing else of it changes')
    WHERE OLD.revoked_at IS NOT NULL OR (NEW.id, NEW.name, NEW.role, NEW.hash, NEW.created_at, NEW.expires_at)
        IS NOT (OLD.id, OLD.name, OLD.role, OLD.hash, OLD.created_at, OLD.expires_at);
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER api_key_delete BEFORE DELETE ON api_key
BEGIN
    SELECT RAISE(ABORT, 'a key is revoked, never deleted');
END;
-- +goose StatementEnd

-- +goose Down
DROP TABLE remembered_request;
DROP TABLE journal;
DROP TABLE api_key;
