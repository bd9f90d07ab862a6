-- +goose NO TRANSACTION
-- The whole run of migrations is one transaction here, opened by the caller.

-- +goose Up

-- What the holder of a key may ask for in one request; 0 is no limit but the service's.

ALTER TABLE api_key ADD COLUMN max_samples INTEGER NOT NULL DEFAULT 0 CHECK (max_samples >= 0);
ALTER TABLE api_key ADD COLUMN max_combinations INTEGER NOT NULL DEFAULT 0 CHECK (max_combinations >= 0);
ALTER TABLE api_key ADD COLUMN max_seconds INTEGER NOT NULL DEFAULT 0 CHECK (max_seconds >= 0);

DROP TRIGGER api_key_update;

-- +goose StatementBegin
CREATE TRIGGER api_key_update BEFORE UPDATE ON api_key
BEGIN
    SELECT RAISE(ABORT, 'a key can be revoked, once, and nothing else of it changes')
    WHERE OLD.revoked_at IS NOT NULL OR (NEW.id, NEW.name, NEW.role, NEW.hash, NEW.created_at, NEW.expires_at, NEW.max_samples, NEW.max_combinations, NEW.max_seconds)
        IS NOT (OLD.id, OLD.name, OLD.role, OLD.hash, OLD.created_at, OLD.expires_at, OLD.max_samples, OLD.max_combinations, OLD.max_seconds);
END;
-- +goose StatementEnd

-- +goose Down
DROP TRIGGER api_key_update;

-- +goose StatementBegin
CREATE TRIGGER api_key_update BEFORE UPDATE ON api_key
BEGIN
    SELECT RAISE(ABORT, 'a key can be revoked, once, and nothing else of it changes')
    WHERE OLD.revoked_at IS NOT NULL OR (NEW.id, NEW.name, NEW.role, NEW.hash, NEW.created_at, NEW.expires_at)
        IS NOT (OLD.id, OLD.name, OLD.role, OLD.hash, OLD.created_at, OLD.expires_at);
END;
-- +goose StatementEnd

ALTER TABLE api_key DROP COLUMN max_samples;
ALTER TABLE api_key DROP COLUMN max_combinations;
ALTER TABLE api_key DROP COLUMN max_seconds;
