-- +goose Up

-- Saved comparisons. What a study shows of its alternatives is its own JSON, since
-- nothing but the program reads it. To sort and to filter by a number, texts stand
-- beside it whose order, byte by byte, is that of the numbers, as in the other
-- database, so that both have one order.

CREATE TABLE study (
    id             text COLLATE "C" PRIMARY KEY CHECK (id <> ''),
    name           text NOT NULL CHECK (name <> ''),
    slug           text COLLATE "C" NOT NULL,
    number         integer NOT NULL,
    region         text NOT NULL,
    currency       text NOT NULL,
    engine_version text NOT NULL,
    request_hash   text NOT NULL CHECK (length(request_hash) = 64),
    result_hash    text NOT NULL CHECK (length(result_hash) = 64),
    revision       integer NOT NULL CHECK (revision >= 1),
    created_by     text NOT NULL,
    created_at     text COLLATE "C" NOT NULL,
    updated_at     text NOT NULL,
    alternatives   text NOT NULL,
    tags           text NOT NULL,
    text           text NOT NULL, -- to be searched, in lower case
    name_key       text COLLATE "C" NOT NULL,
    thickness_key  text COLLATE "C" NOT NULL,
    carbon_key     text COLLATE "C" NOT NULL,
    cost_key       text COLLATE "C" NOT NULL,
    request        bytea NOT NULL,
    FOREIGN KEY (slug, number) REFERENCES inventory_version (slug, number)
);
CREATE INDEX study_created ON study (created_at, id);
CREATE INDEX study_name ON study (name_key, id);
CREATE INDEX study_thickness ON study (thickness_key, id);
CREATE INDEX study_carbon ON study (carbon_key, id);
CREATE INDEX study_cost ON study (cost_key, id);

CREATE TABLE study_alternative (
    study         text COLLATE "C" NOT NULL REFERENCES study (id) ON DELETE CASCADE,
    position      integer NOT NULL,
    thickness_key text COLLATE "C" NOT NULL,
    carbon_key    text COLLATE "C" NOT NULL,
    cost_key      text COLLATE "C" NOT NULL, -- empty where it has no cost
    PRIMARY KEY (study, position)
);

CREATE TABLE study_item (
    study text COLLATE "C" NOT NULL REFERENCES study (id) ON DELETE CASCADE,
    item  text COLLATE "C" NOT NULL,
    PRIMARY KEY (study, item)
);
CREATE INDEX study_item_item ON study_item (item, study);

CREATE TABLE study_tag (
    study text COLLATE "C" NOT NULL REFERENCES study (id) ON DELETE CASCADE,
    tag   text COLLATE "C" NOT NULL,
    PRIMARY KEY (study, tag)
);
CREATE INDEX study_tag_tag ON study_tag (tag, study);

-- +goose Down
DROP TABLE study_tag;
DROP TABLE study_item;
DROP TABLE study_alternative;
DROP TABLE study;
