-- +goose NO TRANSACTION
-- The whole run of migrations is one transaction here, opened by the caller.

-- +goose Up

-- What more is known of a price and of factors: until when they hold, how far they
-- spread, what was quoted, how they were made. What a version extends, and from which
-- version an item was taken over.
--
-- A draft changes until it is published; its items are their own JSON, since nothing
-- but the program reads them. A withdrawal stands beside its version, which stays as
-- it is.

ALTER TABLE inventory_item ADD COLUMN price_valid_until TEXT;
ALTER TABLE inventory_item ADD COLUMN price_spread TEXT;
ALTER TABLE inventory_item ADD COLUMN price_quoted TEXT;
ALTER TABLE inventory_item ADD COLUMN price_quoted_currency TEXT;
ALTER TABLE inventory_item ADD COLUMN price_quoted_date TEXT;
ALTER TABLE inventory_item ADD COLUMN price_exchange_rate TEXT CHECK (price_exchange_rate <> '0');
ALTER TABLE inventory_item ADD COLUMN price_exchange_date TEXT;
ALTER TABLE inventory_item ADD COLUMN price_exchange_source TEXT;
ALTER TABLE inventory_item ADD COLUMN price_index_series TEXT;
ALTER TABLE inventory_item ADD COLUMN price_index_from TEXT CHECK (price_index_from <> '0');
ALTER TABLE inventory_item ADD COLUMN price_index_to TEXT CHECK (price_index_to <> '0');
ALTER TABLE inventory_item ADD COLUMN factor_valid_until TEXT;
ALTER TABLE inventory_item ADD COLUMN factor_spread TEXT;
ALTER TABLE inventory_item ADD COLUMN factor_pedigree TEXT;
ALTER TABLE inventory_item ADD COLUMN characterisation TEXT;
ALTER TABLE inventory_item ADD COLUMN gwp_fossil TEXT;
ALTER TABLE inventory_item ADD COLUMN gwp_biogenic TEXT CHECK (length(gwp_biogenic) = octet_length(gwp_biogenic));
ALTER TABLE inventory_item ADD COLUMN gwp_land_use TEXT;
ALTER TABLE inventory_item ADD COLUMN allocation TEXT;
ALTER TABLE inventory_item ADD COLUMN allocation_alternatives TEXT;
ALTER TABLE inventory_item ADD COLUMN layer TEXT;
ALTER TABLE inventory_version ADD COLUMN extends TEXT NOT NULL DEFAULT '';

DROP TRIGGER inventory_item_insert;

-- +goose StatementBegin
CREATE TRIGGER inventory_item_insert BEFORE INSERT ON inventory_item
BEGIN
    SELECT RAISE(ABORT, 'nothing can be added to a published version')
    WHERE EXISTS (SELECT 1 FROM inventory_version WHERE slug = NEW.slug AND number = NEW.number);
    SELECT RAISE(ABORT, 'not a plain decimal from 0 to 10^15')
    FROM (SELECT NEW.density_kg_per_m3 AS x
        UNION ALL VALUES (NEW.unit_mass_kg), (NEW.solids_percent), (NEW.batch_volume_m3), (NEW.price),
            (NEW.gwp_a1_a3), (NEW.gwp_process), (NEW.gwp_a2), (NEW.gwp_a4),
            (NEW.gwp_c1), (NEW.gwp_c2), (NEW.gwp_c3), (NEW.gwp_c4),
            (iif(NEW.gwp_d GLOB '-*' AND NEW.gwp_d <> '-0', substr(NEW.gwp_d, 2), NEW.gwp_d)), -- D and biogenic carbon alone have a sign
            (iif(NEW.gwp_biogenic GLOB '-*' AND NEW.gwp_biogenic <> '-0', substr(NEW.gwp_biogenic, 2), NEW.gwp_biogenic)),
            (NEW.price_quoted), (NEW.price_exchange_rate), (NEW.price_index_from), (NEW.price_index_to), (NEW.gwp_fossil), (NEW.gwp_land_use))
    WHERE NOT (length(x) = octet_length(x)  -- nothing behind a NUL
        AND x GLOB '[0-9]*' AND x NOT GLOB '*[^0-9.]*' AND x NOT GLOB '*.*.*'
        AND x NOT GLOB '0[0-9]*' AND x NOT GLOB '*.' AND x NOT GLOB '*.*0'
        AND instr(x || '.', '.') <= 16);
END;
-- +goose StatementEnd

CREATE TABLE inventory_draft (
    id         TEXT NOT NULL PRIMARY KEY,
    slug       TEXT NOT NULL,
    base       INTEGER CHECK (base >= 1),
    name       TEXT NOT NULL,
    region     TEXT NOT NULL,
    currency   TEXT NOT NULL,
    invented   INTEGER NOT NULL CHECK (invented IN (0, 1)),
    extends    TEXT NOT NULL,
    revision   INTEGER NOT NULL CHECK (revision >= 1),
    created_by TEXT NOT NULL,
    created_at TEXT NOT NULL,
    updated_at TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX inventory_draft_slug ON inventory_draft (slug, id);

CREATE TABLE inventory_draft_item (
    draft TEXT NOT NULL REFERENCES inventory_draft (id) ON DELETE CASCADE,
    code  TEXT NOT NULL,
    item  TEXT NOT NULL,
    PRIMARY KEY (draft, code)
) STRICT, WITHOUT ROWID;

CREATE TABLE inventory_withdrawal (
    slug         TEXT NOT NULL,
    number       INTEGER NOT NULL,
    reason       TEXT NOT NULL CHECK (reason <> ''),
    withdrawn_at TEXT NOT NULL,
    PRIMARY KEY (slug, number),
    FOREIGN KEY (slug, number) REFERENCES inventory_version (slug, number)
) STRICT, WITHOUT ROWID;

-- +goose StatementBegin
CREATE TRIGGER inventory_withdrawal_insert BEFORE INSERT ON inventory_withdrawal
BEGIN
    SELECT RAISE(ABORT, 'a withdrawal cannot be replaced')
    WHERE EXISTS (SELECT 1 FROM inventory_withdrawal WHERE slug = NEW.slug AND number = NEW.number);
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER inventory_withdrawal_update BEFORE UPDATE ON inventory_withdrawal
BEGIN
    SELECT RAISE(ABORT, 'a withdrawal cannot be changed');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER inventory_withdrawal_delete BEFORE DELETE ON inventory_withdrawal
BEGIN
    SELECT RAISE(ABORT, 'a withdrawal cannot be deleted');
END;
-- +goose StatementEnd

-- +goose Down
DROP TABLE inventory_withdrawal;
DROP TABLE inventory_draft_item;
DROP TABLE inventory_draft;
DROP TRIGGER inventory_item_insert;
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

-- +goose StatementBegin
CREATE TRIGGER inventory_item_insert BEFORE INSERT ON inventory_item
BEGIN
    SELECT RAISE(ABORT, 'nothing can be added to a published version')
    WHERE EXISTS (SELECT 1 FROM inventory_version WHERE slug = NEW.slug AND number = NEW.number);
    SELECT RAISE(ABORT, 'not a plain decimal from 0 to 10^15')
    FROM (SELECT NEW.density_kg_per_m3 AS x
        UNION ALL VALUES (NEW.unit_mass_kg), (NEW.solids_percent), (NEW.batch_volume_m3), (NEW.price),
            (NEW.gwp_a1_a3), (NEW.gwp_process), (NEW.gwp_a2), (NEW.gwp_a4),
            (NEW.gwp_c1), (NEW.gwp_c2), (NEW.gwp_c3), (NEW.gwp_c4),
            (iif(NEW.gwp_d GLOB '-*' AND NEW.gwp_d <> '-0', substr(NEW.gwp_d, 2), NEW.gwp_d))) -- D alone has a sign
    WHERE NOT (length(x) = octet_length(x)  -- nothing behind a NUL
        AND x GLOB '[0-9]*' AND x NOT GLOB '*[^0-9.]*' AND x NOT GLOB '*.*.*'
        AND x NOT GLOB '0[0-9]*' AND x NOT GLOB '*.' AND x NOT GLOB '*.*0'
        AND instr(x || '.', '.') <= 16);
END;
-- +goose StatementEnd
