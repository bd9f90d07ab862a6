-- +goose Up

-- Long work: what was asked, how far it is, and what came of it. The queue's own
-- tables hold nothing but the ids of jobs that wait for a worker. The attempt is the
-- right to write: who holds an older one writes nothing.

CREATE TABLE job (
    id          text COLLATE "C" PRIMARY KEY CHECK (id <> ''),
    actor       text COLLATE "C" NOT NULL CHECK (actor <> ''),
    operation   text NOT NULL CHECK (operation <> ''),
    inventory   text NOT NULL,
    state       text NOT NULL CHECK (state IN ('queued', 'running', 'done', 'failed', 'cancelled')),
    attempts    integer NOT NULL CHECK (attempts >= 0),
    lost        integer NOT NULL CHECK (lost BETWEEN 0 AND attempts),
    done        bigint NOT NULL CHECK (done >= 0),
    total       bigint NOT NULL CHECK (total >= done),
    queued_at   text COLLATE "C" NOT NULL CHECK (queued_at ~ '^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{6}Z$'),
    started_at  text NOT NULL,
    ended_at    text COLLATE "C" NOT NULL,
    result_hash text NOT NULL,
    problem     text NOT NULL,
    beat_at     timestamptz, -- by the database's clock, at which its worker last showed life
    request     bytea NOT NULL,
    result      bytea,
    CHECK ((state = 'done') = (result IS NOT NULL)),
    CHECK ((state = 'done') = (result_hash <> '')),
    CHECK ((state = 'failed') = (problem <> '')),
    CHECK ((state IN ('done', 'failed', 'cancelled')) = (ended_at <> '')),
    CHECK ((state = 'running') = (beat_at IS NOT NULL))
);
CREATE INDEX job_newest ON job (queued_at, id);
CREATE INDEX job_open ON job (actor, state) WHERE state IN ('queued', 'running');
CREATE INDEX job_ended ON job (ended_at) WHERE ended_at <> '';

-- +goose Down
DROP TABLE job;
