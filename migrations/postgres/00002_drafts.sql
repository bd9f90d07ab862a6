-- +goose Up

-- What more is known of a price and of factors: until when they hold, how far they
-- spread, what was quoted, how they were made. What a version extends, and from which
-- version an item was taken over.
--
-- A draft changes until it is published; its items are their own JSON, since nothing
-- but the program reads them. A withdrawal stands beside its version, which stays as
-- it is.

ALTER TABLE inventory_item ADD COLUMN price_valid_until text;
ALTER TABLE inventory_item ADD COLUMN price_spread text;
ALTER TABLE inventory_item ADD COLUMN price_quoted numeric CHECK (price_quoted >= 0 AND price_quoted < 1e15);
ALTER TABLE inventory_item ADD COLUMN price_quoted_currency text;
ALTER TABLE inventory_item ADD COLUMN price_quoted_date text;
ALTER TABLE inventory_item ADD COLUMN price_exchange_rate numeric CHECK (price_exchange_rate > 0 AND price_exchange_rate < 1e15);
ALTER TABLE inventory_item ADD COLUMN price_exchange_date text;
ALTER TABLE inventory_item ADD COLUMN price_exchange_source text;
ALTER TABLE inventory_item ADD COLUMN price_index_series text;
ALTER TABLE inventory_item ADD COLUMN price_index_from numeric CHECK (price_index_from > 0 AND price_index_from < 1e15);
ALTER TABLE inventory_item ADD COLUMN price_index_to numeric CHECK (price_index_to > 0 AND price_index_to < 1e15);
ALTER TABLE inventory_item ADD COLUMN factor_valid_until text;
ALTER TABLE inventory_item ADD COLUMN factor_spread text;
ALTER TABLE inventory_item ADD COLUMN factor_pedigree text;
ALTER TABLE inventory_item ADD COLUMN characterisation text;
ALTER TABLE inventory_item ADD COLUMN gwp_fossil numeric CHECK (gwp_fossil >= 0 AND gwp_fossil < 1e15);
ALTER TABLE inventory_item ADD COLUMN gwp_biogenic numeric CHECK (gwp_biogenic > -1e15 AND gwp_biogenic < 1e15);
ALTER TABLE inventory_item ADD COLUMN gwp_land_use numeric CHECK (gwp_land_use >= 0 AND gwp_land_use < 1e15);
ALTER TABLE inventory_item ADD COLUMN allocation text;
ALTER TABLE inventory_item ADD COLUMN allocation_alternatives text;
ALTER TABLE inventory_item ADD COLUMN layer text;
ALTER TABLE inventory_version ADD COLUMN extends text NOT NULL DEFAULT '';

CREATE TABLE inventory_draft (
    id         text COLLATE "C" PRIMARY KEY,
    slug       text COLLATE "C" NOT NULL,
    base       integer CHECK (base >= 1),
    name       text NOT NULL,
    region     text NOT NULL,
    currency   text NOT NULL,
    invented   boolean NOT NULL,
    extends    text NOT NULL,
    revision   integer NOT NULL CHECK (revision >= 1),
    created_by text NOT NULL,
    created_at text NOT NULL,
    updated_at text NOT NULL
);
CREATE INDEX inventory_draft_slug ON inventory_draft (slug, id);

CREATE TABLE inventory_draft_item (
    draft text COLLATE "C" NOT NULL REFERENCES inventory_draft (id) ON DELETE CASCADE,
    code  text COLLATE "C" NOT NULL,
    item  text NOT NULL,
    PRIMARY KEY (draft, code)
);

CREATE TABLE inventory_withdrawal (
    slug         text COLLATE "C" NOT NULL,
    number       integer NOT NULL,
    reason       text NOT NULL CHECK (reason <> ''),
    withdrawn_at text NOT NULL,
    PRIMARY KEY (slug, number),
    FOREIGN KEY (slug, number) REFERENCES inventory_version (slug, number)
);

CREATE TRIGGER inventory_withdrawal_update BEFORE UPDATE OR DELETE ON inventory_withdrawal FOR EACH ROW EXECUTE FUNCTION inventory_immutable();
CREATE TRIGGER inventory_withdrawal_truncate BEFORE TRUNCATE ON inventory_withdrawal FOR EACH STATEMENT EXECUTE FUNCTION inventory_immutable();

-- +goose Down
DROP TABLE inventory_withdrawal;
DROP TABLE inventory_draft_item;
DROP TABLE inventory_draft;
ALTER TABLE inventory_version DROP COLUMN extends;
ALTER TABLE inventory_item DROP COLUMN layer;
ALTER TABLE inventory_item DROP COLUMN allocation_alternatives;
ALTER TABLE inventory_item DROP COLUMN allocation;
ALTER TABLE inventory_item DROP COLUMN gwp_land_use;
ALTER TABLE inventory_item DROP COLUMN gwp_biogenic;
ALTER TABLE inventory_item DROP COLUMN gwp_fossil;
ALTER TABLE inventory_item DROP COLUMN characterisation;
ALTER TABLE inventory_item DROP COLUMN factor_pedigree;
ALTER TABLE inventory_item DROP COLUMN factor_spread;
ALTER TABLE inventory_item DROP COLUMN factor_valid_until;
ALTER TABLE inventory_item DROP COLUMN price_index_to;
ALTER TABLE inventory_item DROP COLUMN price_index_from;
ALTER TABLE inventory_item DROP COLUMN price_index_series;
ALTER TABLE inventory_item DROP COLUMN price_exchange_source;
ALTER TABLE inventory_item DROP COLUMN price_exchange_date;
ALTER TABLE inventory_item DROP COLUMN price_exchange_rate;
ALTER TABLE inventory_item DROP COLUMN price_quoted_date;
ALTER TABLE inventory_item DROP COLUMN price_quoted_currency;
ALTER TABLE inventory_item DROP COLUMN price_quoted;
ALTER TABLE inventory_item DROP COLUMN price_spread;
ALTER TABLE inventory_item DROP COLUMN price_valid_until;
