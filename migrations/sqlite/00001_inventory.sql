-- +goose NO TRANSACTION
-- The whole run of migrations is one transaction here, opened by the caller.

-- +goose Up

-- A published version, its items and the parts of their recipes. Items and parts
-- come first and the version last: once it stands, nothing of it can be added,
-- changed or taken away, by no means of SQL.
--
-- Decimals are text, because NUMERIC would round them; the triggers on INSERT let
-- in plain decimals in canonical form only, not negative and below 10^15.

CREATE TABLE inventory_version (
    slug       TEXT NOT NULL,
    number     INTEGER NOT NULL CHECK (number >= 1),
    name       TEXT NOT NULL,
    region     TEXT NOT NULL,
    currency   TEXT NOT NULL,
    invented   INTEGER NOT NULL CHECK (invented IN (0, 1)),
    hash       TEXT NOT NULL CHECK (length(hash) = 64 AND hash NOT GLOB '*[^0-9a-f]*'),
    note       TEXT NOT NULL,
    created_at TEXT NOT NULL CHECK (created_at GLOB '[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]:[0-9][0-9].[0-9][0-9][0-9][0-9][0-9][0-9]Z'),
    PRIMARY KEY (slug, number)
) STRICT, WITHOUT ROWID;

CREATE TABLE inventory_item (
    slug                     TEXT NOT NULL,
    number                   INTEGER NOT NULL,
    code                     TEXT NOT NULL,
    category                 TEXT NOT NULL,
    name                     TEXT NOT NULL,
    unit                     TEXT NOT NULL,
    density_kg_per_m3        TEXT CHECK (density_kg_per_m3 <> '0'),
    unit_mass_kg             TEXT CHECK (unit_mass_kg <> '0'),
    solids_percent           TEXT CHECK (instr(solids_percent || '.', '.') <= 3 OR solids_percent = '100'),
    batch_volume_m3          TEXT CHECK (batch_volume_m3 <> '0'),
    module                   TEXT,
    default_for              TEXT,
    boundary                 TEXT,
    price                    TEXT,
    price_currency           TEXT,
    price_date               TEXT,
    price_basis              TEXT,
    price_tax                TEXT,
    price_source_kind        TEXT,
    price_source_title       TEXT,
    price_source_publisher   TEXT,
    price_source_year        INTEGER,
    price_source_reference   TEXT,
    price_source_licence     TEXT,
    gwp_a1_a3                TEXT,
    gwp_process              TEXT,
    gwp_a2                   TEXT,
    gwp_a4                   TEXT,
    gwp_c1                   TEXT,
    gwp_c2                   TEXT,
    gwp_c3                   TEXT,
    gwp_c4                   TEXT,
    gwp_d                    TEXT CHECK (length(gwp_d) = octet_length(gwp_d)),
    factor_source_kind       TEXT,
    factor_source_title      TEXT,
    factor_source_publisher  TEXT,
    factor_source_year       INTEGER,
    factor_source_reference  TEXT,
    factor_source_licence    TEXT,
    note                     TEXT,
    PRIMARY KEY (slug, number, code),
    FOREIGN KEY (slug, number) REFERENCES inventory_version (slug, number) DEFERRABLE INITIALLY DEFERRED
) STRICT, WITHOUT ROWID;

CREATE TABLE inventory_part (
    slug     TEXT NOT NULL,
    number   INTEGER NOT NULL,
    code     TEXT NOT NULL,
    position INTEGER NOT NULL CHECK (position >= 1),
    item     TEXT NOT NULL,
    amount   TEXT NOT NULL CHECK (amount <> '0'),
    PRIMARY KEY (slug, number, code, position),
    FOREIGN KEY (slug, number, code) REFERENCES inventory_item (slug, number, code) DEFERRABLE INITIALLY DEFERRED,
    FOREIGN KEY (slug, number, item) REFERENCES inventory_item (slug, number, code) DEFERRABLE INITIALLY DEFERRED
) STRICT, WITHOUT ROWID;

-- INSERT OR REPLACE deletes without firing the trigger on DELETE, so a row that
-- stands already is refused before it.

-- +goose StatementBegin
CREATE TRIGGER inventory_version_insert BEFORE INSERT ON inventory_version
BEGIN
    SELECT RAISE(ABORT, 'a published version cannot be replaced')
    WHERE EXISTS (SELECT 1 FROM inventory_version WHERE slug = NEW.slug AND number = NEW.number);
    SELECT RAISE(ABORT, 'versions are numbered without gaps')
    WHERE NEW.number > 1 AND NOT EXISTS (SELECT 1 FROM inventory_version WHERE slug = NEW.slug AND number = NEW.number - 1);
END;
-- +goose StatementEnd

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

-- +goose StatementBegin
CREATE TRIGGER inventory_part_insert BEFORE INSERT ON inventory_part
BEGIN
    SELECT RAISE(ABORT, 'nothing can be added to a published version')
    WHERE EXISTS (SELECT 1 FROM inventory_version WHERE slug = NEW.slug AND number = NEW.number);
    SELECT RAISE(ABORT, 'not a plain decimal from 0 to 10^15')
    WHERE NOT (length(NEW.amount) = octet_length(NEW.amount)  -- nothing behind a NUL
        AND NEW.amount GLOB '[0-9]*' AND NEW.amount NOT GLOB '*[^0-9.]*' AND NEW.amount NOT GLOB '*.*.*'
        AND NEW.amount NOT GLOB '0[0-9]*' AND NEW.amount NOT GLOB '*.' AND NEW.amount NOT GLOB '*.*0'
        AND instr(NEW.amount || '.', '.') <= 16);
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER inventory_version_update BEFORE UPDATE ON inventory_version
BEGIN
    SELECT RAISE(ABORT, 'a published version cannot be changed');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER inventory_version_delete BEFORE DELETE ON inventory_version
BEGIN
    SELECT RAISE(ABORT, 'a published version cannot be deleted');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER inventory_item_update BEFORE UPDATE ON inventory_item
BEGIN
    SELECT RAISE(ABORT, 'a published version cannot be changed');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER inventory_item_delete BEFORE DELETE ON inventory_item
BEGIN
    SELECT RAISE(ABORT, 'a published version cannot be deleted');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER inventory_part_update BEFORE UPDATE ON inventory_part
BEGIN
    SELECT RAISE(ABORT, 'a published version cannot be changed');
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER inventory_part_delete BEFORE DELETE ON inventory_part
BEGIN
    SELECT RAISE(ABORT, 'a published version cannot be deleted');
END;
-- +goose StatementEnd

-- +goose Down
DROP TABLE inventory_part;
DROP TABLE inventory_item;
DROP TABLE inventory_version;
