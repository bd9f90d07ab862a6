-- +goose NO TRANSACTION
-- The whole run of migrations is one transaction here, opened by the caller.

-- +goose Up

-- Saved comparisons. What a study shows of its alternatives is its own JSON, since
-- nothing but the program reads it. To sort and to filter by a number, texts stand
-- beside it whose order, byte by byte, is that of the numbers: this database compares
-- no decimal of more than 15 digits rightly.

CREATE TABLE study (
    id             TEXT NOT NULL PRIMARY KEY CHECK (id <> ''),
    name           TEXT NOT NULL CHECK (name <> ''),
    slug           TEXT NOT NULL,
    number         INTEGER NOT NULL,
    region         TEXT NOT NULL,
    currency       TEXT NOT NULL,
    engine_version TEXT NOT NULL,
    request_hash   TEXT NOT NULL CHECK (length(request_hash) = 64),
    result_hash    TEXT NOT NULL CHECK (length(result_hash) = 64),
    revision       INTEGER NOT NULL CHECK (revision >= 1),
    created_by     TEXT NOT NULL,
    created_at     TEXT NOT NULL,
    updated_at     TEXT NOT NULL,
    alternatives   TEXT NOT NULL,
    tags           TEXT NOT NULL,
    text           TEXT NOT NULL, -- to be searched, in lower case
    name_key       TEXT NOT NULL,
    thickness_key  TEXT NOT NULL,
    carbon_key     TEXT NOT NULL,
    cost_key       TEXT NOT NULL,
    request        BLOB NOT NULL,
    FOREIGN KEY (slug, number) REFERENCES inventory_version (slug, number)
) STRICT;
CREATE INDEX study_created ON study (created_at, id);
CREATE INDEX study_name ON study (name_key, id);
CREATE INDEX study_thickness ON study (thickness_key, id);
CREATE INDEX study_carbon ON study (carbon_key, id);
CREATE INDEX study_cost ON study (cost_key, id);

CREATE TABLE study_alternative (
    study         TEXT NOT NULL REFERENCES study (id) ON DELETE CASCADE,
    position      INTEGER NOT NULL,
    thickness_key TEXT NOT NULL,
    carbon_key    TEXT NOT NULL,
    cost_key      TEXT NOT NULL, -- empty where it has no cost
    PRIMARY KEY (study, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE study_item (
    study TEXT NOT NULL REFERENCES study (id) ON DELETE CASCADE,
    item  TEXT NOT NULL,
    PRIMARY KEY (study, item)
) STRICT, WITHOUT ROWID;
CREATE INDEX study_item_item ON study_item (item, study);

CREATE TABLE study_tag (
    study TEXT NOT NULL REFERENCES study (id) ON DELETE CASCADE,
    tag   TEXT NOT NULL,
    PRIMARY KEY (study, tag)
) STRICT, WITHOUT ROWID;
CREATE INDEX study_tag_tag ON study_tag (tag, study);

-- +goose Down
DROP TABLE study_tag;
DROP TABLE study_item;
DROP TABLE study_alternative;
DROP TABLE study;
