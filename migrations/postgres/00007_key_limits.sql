-- +goose Up

-- What the holder of a key may ask for in one request; 0 is no limit but the service's.

ALTER TABLE api_key
    ADD COLUMN max_samples integer NOT NULL DEFAULT 0 CHECK (max_samples >= 0),
    ADD COLUMN max_combinations integer NOT NULL DEFAULT 0 CHECK (max_combinations >= 0),
    ADD COLUMN max_seconds integer NOT NULL DEFAULT 0 CHECK (max_seconds >= 0);

-- +goose StatementBegin
CREATE OR REPLACE FUNCTION api_key_update() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.revoked_at IS NOT NULL OR (NEW.id, NEW.name, NEW.role, NEW.hash, NEW.created_at, NEW.expires_at, NEW.max_samples, NEW.max_combinations, NEW.max_seconds)
        IS DISTINCT FROM (OLD.id, OLD.name, OLD.role, OLD.hash, OLD.created_at, OLD.expires_at, OLD.max_samples, OLD.max_combinations, OLD.max_seconds) THEN
        RAISE EXCEPTION 'a key can be revoked, once, and nothing else of it changes' USING ERRCODE = 'SL001';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd

-- +goose Down
-- +goose StatementBegin
CREATE OR REPLACE FUNCTION api_key_update() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF OLD.revoked_at IS NOT NULL OR (NEW.id, NEW.name, NEW.role, NEW.hash, NEW.created_at, NEW.expires_at)
        IS DISTINCT FROM (OLD.id, OLD.name, OLD.role, OLD.hash, OLD.created_at, OLD.expires_at) THEN
        RAISE EXCEPTION 'a key can be revoked, once, and nothing else of it changes' USING ERRCODE = 'SL001';
    END IF;
    RETURN NEW;
END
$$;
-- +goose StatementEnd

ALTER TABLE api_key
    DROP COLUMN max_samples,
    DROP COLUMN max_combinations,
    DROP COLUMN max_seconds;
