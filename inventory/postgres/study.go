package postgres

import (
	"context"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/jackc/pgx/v5"

	"slabledger/inventory"
)

const (
	insertStudy = `INSERT INTO study (id, name, tags, slug, number, region, currency, engine_version, request_hash, result_hash, revision, created_by, created_at, updated_at,
		alternatives, text, name_key, thickness_key, carbon_key, cost_key, request) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21)`
	selectStudies = `SELECT ` + inventory.StudyColumns + ` FROM study AS s WHERE ($1::text = '' OR s.region = $1) AND ($2::text = '' OR s.slug = $2) AND ($3::integer = 0 OR s.number = $3)
		AND ($4::text = '' OR EXISTS (SELECT 1 FROM study_item AS i WHERE i.study = s.id AND i.item = $4))
		AND ($5::text = '' OR EXISTS (SELECT 1 FROM study_tag AS t WHERE t.study = s.id AND t.tag = $5))
		AND ($6::text = '' OR s.currency = $6) AND ($7::text = '' OR position($7 in s.text) > 0)
		AND EXISTS (SELECT 1 FROM study_alternative AS a WHERE a.study = s.id
			AND ($8::text = '' OR a.thickness_key >= $8) AND ($9::text = '' OR a.thickness_key <= $9) AND ($10::text = '' OR a.carbon_key >= $10) AND ($11::text = '' OR a.carbon_key <= $11)
			AND ($12::text = '' OR a.cost_key >= $12 AND a.cost_key <> '') AND ($13::text = '' OR a.cost_key <= $13 AND a.cost_key <> '')) `
)

// studyOrders are the ends of selectStudies by what is sorted by.
var studyOrders = func() map[inventory.StudySort][2]string {
	orders := map[inventory.StudySort][2]string{}
	for sort, column := range map[inventory.StudySort]string{inventory.SortName: "name_key", inventory.SortCreated: "created_at",
		inventory.SortThickness: "thickness_key", inventory.SortCarbon: "carbon_key", inventory.SortCost: "cost_key", inventory.SortRegion: `region COLLATE "C"`} {
		column = "s." + column
		orders[sort] = [2]string{
			`AND ($14::text = '' OR (` + column + `, s.id) > ($15, $14)) ORDER BY ` + column + `, s.id LIMIT $16`,
			`AND ($14::text = '' OR (` + column + `, s.id) < ($15, $14)) ORDER BY ` + column + ` DESC, s.id DESC LIMIT $16`,
		}
	}
	return orders
}()

// CreateStudy implements inventory.Studies.
func (s *Store) CreateStudy(ctx context.Context, study inventory.Study, request []byte, c inventory.Change) error {
	values, err := inventory.StudyValues(&study)
	if err != nil {
		return err
	}
	return s.change(ctx, c, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, insertStudy, append(values, request)...); err != nil {
			return err
		}
		for n, a := range study.Alternatives {
			thickness, carbon, cost := a.Keys()
			if _, err := tx.Exec(ctx, `INSERT INTO study_alternative (study, position, thickness_key, carbon_key, cost_key) VALUES ($1, $2, $3, $4, $5)`,
				study.ID, n, thickness, carbon, cost); err != nil {
				return err
			}
		}
		for _, item := range study.Items {
			if _, err := tx.Exec(ctx, `INSERT INTO study_item (study, item) VALUES ($1, $2)`, study.ID, item); err != nil {
				return err
			}
		}
		return putTags(ctx, tx, study.ID, study.Tags)
	})
}

func putTags(ctx context.Context, tx pgx.Tx, id string, tags []string) error {
	if _, err := tx.Exec(ctx, `DELETE FROM study_tag WHERE study = $1`, id); err != nil {
		return err
	}
	for _, tag := range tags {
		if _, err := tx.Exec(ctx, `INSERT INTO study_tag (study, tag) VALUES ($1, $2)`, id, tag); err != nil {
			return err
		}
	}
	return nil
}

// Study implements inventory.Studies. One statement reads all, so it is of one moment.
func (s *Store) Study(ctx context.Context, id string) (study inventory.Study, request []byte, err error) {
	var items string
	study, err = inventory.StudyRow(func(into ...any) error {
		return s.pool.QueryRow(ctx, `SELECT `+inventory.StudyColumns+`, s.request,
			(SELECT coalesce(string_agg(item, ' ' ORDER BY item), '') FROM study_item WHERE study = s.id) FROM study AS s WHERE s.id = $1`, id).Scan(append(into, &request, &items)...)
	})
	study.Items = strings.Fields(items) // a code has no space
	return study, request, translate(ctx, err)
}

// Studies implements inventory.Studies.
func (s *Store) Studies(ctx context.Context, f inventory.StudyFilter, limit int) (list []inventory.Study, err error) {
	order := studyOrders[f.Sort][0]
	if f.Descending {
		order = studyOrders[f.Sort][1]
	}
	b := f.Bounds()
	rows, err := s.pool.Query(ctx, selectStudies+order, f.Region, f.Slug, f.Number, f.Item, f.Tag, f.Currency, strings.ToLower(f.Text),
		b[0], b[1], b[2], b[3], b[4], b[5], f.AfterID, f.AfterKey, max(limit, 0))
	if err != nil {
		return nil, translate(ctx, err)
	}
	defer rows.Close()
	for rows.Next() {
		study, err := inventory.StudyRow(rows.Scan)
		if err != nil {
			return nil, translate(ctx, err)
		}
		list = append(list, study)
	}
	return list, translate(ctx, rows.Err())
}

// studyAtRevision reads a study that is as it was read.
func studyAtRevision(ctx context.Context, tx pgx.Tx, id string, revision int) (inventory.Study, error) {
	study, err := inventory.StudyRow(func(into ...any) error {
		return tx.QueryRow(ctx, `SELECT `+inventory.StudyColumns+` FROM study AS s WHERE s.id = $1 FOR UPDATE`, id).Scan(into...)
	})
	if err == nil && study.Revision != revision {
		err = inventory.ErrStale
	}
	return study, err
}

// DescribeStudy implements inventory.Studies.
func (s *Store) DescribeStudy(ctx context.Context, id string, revision int, name string, tags []string, c inventory.Change) error {
	return s.change(ctx, c, func(tx pgx.Tx) error {
		study, err := studyAtRevision(ctx, tx, id, revision)
		if err != nil {
			return err
		}
		study.Name, study.Tags = name, tags
		text, err := json.Marshal(tags)
		if err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `UPDATE study SET name = $1, tags = $2, text = $3, name_key = $4, revision = $5, updated_at = $6 WHERE id = $7`,
			name, string(text), study.Text(), study.Key(inventory.SortName), revision+1, c.At, id); err != nil {
			return err
		}
		return putTags(ctx, tx, id, tags)
	})
}

// DeleteStudy implements inventory.Studies.
func (s *Store) DeleteStudy(ctx context.Context, id string, revision int, c inventory.Change) error {
	return s.change(ctx, c, func(tx pgx.Tx) error {
		if _, err := studyAtRevision(ctx, tx, id, revision); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `DELETE FROM study WHERE id = $1`, id)
		return err
	})
}
