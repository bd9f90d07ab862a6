-- +goose Up

-- The least amount from which a price holds.

ALTER TABLE inventory_item ADD COLUMN price_min_quantity numeric CHECK (price_min_quantity > 0 AND price_min_quantity < 1e15);

-- +goose Down

ALTER TABLE inventory_item DROP COLUMN price_min_quantity;
