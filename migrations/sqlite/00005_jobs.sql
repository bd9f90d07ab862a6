-- +goose NO TRANSACTION
-- The whole run of migrations is one transaction here, opened by the caller.

-- +goose Up

-- Long work: what was asked, how far it is, and what came of it. The queue's own
-- tables hold nothing but the ids of jobs that wait for a worker. The attempt is the
-- right to write: who holds an older one writes nothing.

CREATE TABLE job (
    id          TEXT NOT NULL PRIMARY KEY CHECK (id <> ''),
    actor       TEXT NOT NULL CHECK (actor <> ''),
    operation   TEXT NOT NULL CHECK (operation <> ''),
    inventory   TEXT NOT NULL,
    state       TEXT NOT NULL CHECK (state IN ('queued', 'running', 'done', 'failed', 'cancelled')),
    attempts    INTEGER NOT NULL CHECK (attempts >= 0),
    lost        INTEGER NOT NULL CHECK (lost BETWEEN 0 AND attempts),
    done        INTEGER NOT NULL CHECK (done >= 0),
    total       INTEGER NOT NULL CHECK (total >= done),
    queued_at   TEXT NOT NULL CHECK (queued_at GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].[0-9][0-9][0-9][0-9][0-9][0-9]Z'),
    started_at  TEXT NOT NULL,
    ended_at    TEXT NOT NULL,
    result_hash TEXT NOT NULL,
    problem     TEXT NOT NULL,
    beat_at     REAL, -- day by the database's clock at which its worker last showed life
    request     BLOB NOT NULL,
    result      BLOB,
    CHECK ((state = 'done') = (result IS NOT NULL)),
    CHECK ((state = 'done') = (result_hash <> '')),
    CHECK ((state = 'failed') = (problem <> '')),
    CHECK ((state IN ('done', 'failed', 'cancelled')) = (ended_at <> '')),
    CHECK ((state = 'running') = (beat_at IS NOT NULL))
) STRICT;
CREATE INDEX job_newest ON job (queued_at, id);
CREATE INDEX job_open ON job (actor, state) WHERE state IN ('queued', 'running');
CREATE INDEX job_ended ON job (ended_at) WHERE ended_at <> '';

-- +goose Down
DROP TABLE job;
