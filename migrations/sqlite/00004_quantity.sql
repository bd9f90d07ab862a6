-- +goose NO TRANSACTION
-- The whole run of migrations is one transaction here, opened by the caller.

-- +goose Up

-- The least amount from which a price holds.

ALTER TABLE inventory_item ADD COLUMN price_min_quantity TEXT CHECK (price_min_quantity <> '0');

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
            (NEW.price_quoted), (NEW.price_exchange_rate), (NEW.price_index_from), (NEW.price_index_to), (NEW.price_min_quantity), (NEW.gwp_fossil), (NEW.gwp_land_use))
    WHERE NOT (length(x) = octet_length(x)  -- nothing behind a NUL
        AND x GLOB '[0-9]*' AND x NOT GLOB '*[^0-9.]*' AND x NOT GLOB '*.*.*'
        AND x NOT GLOB '0[0-9]*' AND x NOT GLOB '*.' AND x NOT GLOB '*.*0'
        AND instr(x || '.', '.') <= 16);
END;
-- +goose StatementEnd

-- +goose Down

DROP TRIGGER inventory_item_insert;

ALTER TABLE inventory_item DROP COLUMN price_min_quantity;

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
