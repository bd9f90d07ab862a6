-- +goose Up

-- A published version, its items and the parts of their recipes. Items and parts
-- come first and the version last: once it stands, nothing of it can be added,
-- changed or taken away, by no means of SQL.
--
-- Decimals are NUMERIC without a scale, which keeps every digit. The upper bound
-- is what refuses NaN and Infinity: both sort above every number, so >= 0 alone
-- lets them in.

CREATE TABLE inventory_version (
    slug       text COLLATE "C" NOT NULL,
    number     integer NOT NULL CHECK (number >= 1),
    name       text NOT NULL,
    region     text NOT NULL,
    currency   text NOT NULL,
    invented   boolean NOT NULL,
    hash       text NOT NULL CHECK (hash ~ '^[0-9a-f]{64}$'),
    note       text NOT NULL,
    created_at timestamptz NOT NULL,
    PRIMARY KEY (slug, number)
);

CREATE TABLE inventory_item (
    slug                     text COLLATE "C" NOT NULL,
    number                   integer NOT NULL,
    code                     text COLLATE "C" NOT NULL,
    category                 text NOT NULL,
    name                     text NOT NULL,
    unit                     text NOT NULL,
    density_kg_per_m3        numeric CHECK (density_kg_per_m3 > 0 AND density_kg_per_m3 < 1e15),
    unit_mass_kg             numeric CHECK (unit_mass_kg > 0 AND unit_mass_kg < 1e15),
    solids_percent           numeric CHECK (solids_percent >= 0 AND solids_percent <= 100),
    batch_volume_m3          numeric CHECK (batch_volume_m3 > 0 AND batch_volume_m3 < 1e15),
    module                   text,
    default_for              text,
    boundary                 text,
    price                    numeric CHECK (price >= 0 AND price < 1e15),
    price_currency           text,
    price_date               text,
    price_basis              text,
    price_tax                text,
    price_source_kind        text,
    price_source_title       text,
    price_source_publisher   text,
    price_source_year        integer,
    price_source_reference   text,
    price_source_licence     text,
    gwp_a1_a3                numeric CHECK (gwp_a1_a3 >= 0 AND gwp_a1_a3 < 1e15),
    gwp_process              numeric CHECK (gwp_process >= 0 AND gwp_process < 1e15),
    gwp_a2                   numeric CHECK (gwp_a2 >= 0 AND gwp_a2 < 1e15),
    gwp_a4                   numeric CHECK (gwp_a4 >= 0 AND gwp_a4 < 1e15),
    gwp_c1                   numeric CHECK (gwp_c1 >= 0 AND gwp_c1 < 1e15),
    gwp_c2                   numeric CHECK (gwp_c2 >= 0 AND gwp_c2 < 1e15),
    gwp_c3                   numeric CHECK (gwp_c3 >= 0 AND gwp_c3 < 1e15),
    gwp_c4                   numeric CHECK (gwp_c4 >= 0 AND gwp_c4 < 1e15),
    gwp_d                    numeric CHECK (gwp_d > -1e15 AND gwp_d < 1e15),
    factor_source_kind       text,
    factor_source_title      text,
    factor_source_publisher  text,
    factor_source_year       integer,
    factor_source_reference  text,
    factor_source_licence    text,
    note                     text,
    PRIMARY KEY (slug, number, code),
    FOREIGN KEY (slug, number) REFERENCES inventory_version (slug, number) DEFERRABLE INITIALLY DEFERRED
);

CREATE TABLE inventory_part (
    slug     text COLLATE "C" NOT NULL,
    number   integer NOT NULL,
    code     text COLLATE "C" NOT NULL,
    position integer NOT NULL CHECK (position >= 1),
    item     text COLLATE "C" NOT NULL,
    amount   numeric NOT NULL CHECK (amount > 0 AND amount < 1e15),
    PRIMARY KEY (slug, number, code, position),
    FOREIGN KEY (slug, number, code) REFERENCES inventory_item (slug, number, code) DEFERRABLE INITIALLY DEFERRED,
    FOREIGN KEY (slug, number, item) REFERENCES inventory_item (slug, number, code) DEFERRABLE INITIALLY DEFERRED
);

-- Inserting takes a lock on the slug to the end of the transaction. Without it
-- a transaction could add an item before a version is published and commit
-- after: neither would see the other.

-- +goose StatementBegin
CREATE FUNCTION inventory_version_insert() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_advisory_xact_lock(hashtextextended(NEW.slug, 0));
    IF NEW.number > 1 AND NOT EXISTS (SELECT FROM inventory_version WHERE slug = NEW.slug AND number = NEW.number - 1) THEN
        RAISE EXCEPTION 'versions are numbered without gaps' USING ERRCODE = 'SL002';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE FUNCTION inventory_content_insert() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_advisory_xact_lock(hashtextextended(NEW.slug, 0));
    IF EXISTS (SELECT FROM inventory_version WHERE slug = NEW.slug AND number = NEW.number) THEN
        RAISE EXCEPTION 'nothing can be added to a published version' USING ERRCODE = 'SL001';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE FUNCTION inventory_immutable() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'a published version cannot be changed or deleted' USING ERRCODE = 'SL001';
END
$$;
-- +goose StatementEnd

CREATE TRIGGER inventory_version_insert BEFORE INSERT ON inventory_version FOR EACH ROW EXECUTE FUNCTION inventory_version_insert();
CREATE TRIGGER inventory_item_insert BEFORE INSERT ON inventory_item FOR EACH ROW EXECUTE FUNCTION inventory_content_insert();
CREATE TRIGGER inventory_part_insert BEFORE INSERT ON inventory_part FOR EACH ROW EXECUTE FUNCTION inventory_content_insert();

CREATE TRIGGER inventory_version_immutable BEFORE UPDATE OR DELETE ON inventory_version FOR EACH ROW EXECUTE FUNCTION inventory_immutable();
CREATE TRIGGER inventory_version_truncate BEFORE TRUNCATE ON inventory_version FOR EACH STATEMENT EXECUTE FUNCTION inventory_immutable();

CREATE TRIGGER inventory_item_immutable BEFORE UPDATE OR DELETE ON inventory_item FOR EACH ROW EXECUTE FUNCTION inventory_immutable();
CREATE TRIGGER inventory_item_truncate BEFORE TRUNCATE ON inventory_item FOR EACH STATEMENT EXECUTE FUNCTION inventory_immutable();

CREATE TRIGGER inventory_part_immutable BEFORE UPDATE OR DELETE ON inventory_part FOR EACH ROW EXECUTE FUNCTION inventory_immutable();
CREATE TRIGGER inventory_part_truncate BEFORE TRUNCATE ON inventory_part FOR EACH STATEMENT EXECUTE FUNCTION inventory_immutable();

-- +goose Down
DROP TABLE inventory_part;
DROP TABLE inventory_item;
DROP TABLE inventory_version;
DROP FUNCTION inventory_immutable();
DROP FUNCTION inventory_content_insert();
DROP FUNCTION inventory_version_insert();
