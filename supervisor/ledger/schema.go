package ledger

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"sync"
)

//go:embed steps/*.sql
var stepFiles embed.FS

// applicationID marks the file as a ledger of this program: "bwrd" in ASCII, at byte 68 of the file.
const applicationID = 0x62777264

// steps are the schema steps in order; the schema's number is the number of steps taken, kept as SQLite's user_version.
var steps = loadSteps()

func loadSteps() []string {
	names, err := fs.Glob(stepFiles, "steps/*.sql")
	if err != nil || len(names) == 0 {
		panic("the schema steps are not in the program")
	}
	var out []string
	for i, name := range names {
		if !strings.HasPrefix(name, fmt.Sprintf("steps/%04d_", i+1)) {
			panic("schema step " + name + " is out of order")
		}
		text, err := stepFiles.ReadFile(name)
		if err != nil {
			panic(err)
		}
		out = append(out, string(text))
	}
	return out
}

// migrate takes the steps from the file's number up to want, each completely or not at all.
func migrate(ctx context.Context, c *sql.Conn, want int) error {
	var have int
	if err := c.QueryRowContext(ctx, "PRAGMA user_version").Scan(&have); err != nil {
		return err
	}
	if have > len(steps) {
		return newer(have)
	}
	for n := have + 1; n <= want; n++ {
		script := fmt.Sprintf("BEGIN IMMEDIATE;\n%s\nPRAGMA application_id = %d;\nPRAGMA user_version = %d;\nCOMMIT;",
			steps[n-1], applicationID, n)
		if _, err := c.ExecContext(ctx, script); err != nil {
			// The error may have ended the transaction already, so this one says nothing of interest.
			_, _ = c.ExecContext(ctx, "ROLLBACK")
			return fmt.Errorf("schema step %d: %w", n, err)
		}
	}
	return nil
}

func newer(have int) error {
	return fmt.Errorf("its schema is number %d and this program knows up to %d; start the newer program, "+
		"or name a backup made before the upgrade: %w", have, len(steps), ErrNewer)
}

// wholeSchema compares the tables, indexes, views and triggers of a file with those of its schema:
// each must exist with its own text, and nothing else. SQLite interprets the texts as they are: a
// damaged letter names another column, and a trigger, view or computed column that somebody added
// is executed by whoever opens the file next.
func wholeSchema(ctx context.Context, db *sql.DB, schema int) error {
	want, err := schemaTexts(ctx, schema)
	if err != nil {
		return err
	}
	seen := map[string]bool{}
	err = readSchema(ctx, db, func(name, text string) error {
		expected, ours := want[name]
		switch {
		case !ours || seen[name]:
			return fmt.Errorf("it holds the %.80q, which beltwarden did not make; %s: %w", name, remedyDamaged, ErrCorrupt)
		case text != expected:
			return fmt.Errorf("the description of its %s is damaged; %s: %w", name, remedyDamaged, ErrCorrupt)
		}
		seen[name] = true
		return nil
	})
	if err != nil {
		return damage(err)
	}
	for name := range want {
		if !seen[name] {
			return fmt.Errorf("the description of its %s is damaged; %s: %w", name, remedyDamaged, ErrCorrupt)
		}
	}
	return nil
}

// descriptions caches the results of schemaTexts by schema number. They never change; a failure is
// not cached.
var descriptions sync.Map

// schemaTexts creates an empty ledger of a schema in memory and reads its description. The result
// is read-only.
func schemaTexts(ctx context.Context, schema int) (texts map[string]string, err error) {
	if known, ok := descriptions.Load(schema); ok {
		return known.(map[string]string), nil
	}
	defer func() {
		if err == nil {
			descriptions.Store(schema, texts)
		}
	}()
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1)
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, err
	}
	if err := migrate(ctx, conn, schema); err != nil {
		return nil, errors.Join(err, conn.Close())
	}
	if err := conn.Close(); err != nil {
		return nil, err
	}
	texts = map[string]string{}
	return texts, readSchema(ctx, db, func(name, text string) error {
		texts[name] = text
		return nil
	})
}

// readSchema passes on the kind, name and table, and the text, of each object of a file's schema.
// It ends at the first error.
func readSchema(ctx context.Context, db *sql.DB, take func(name, text string) error) error {
	return each(ctx, db, `SELECT type || ' ' || name || iif(tbl_name = name, '', ' of ' || tbl_name),
		coalesce(sql, '') FROM sqlite_schema`, nil, func(rows *sql.Rows) error {
		var name, text sql.NullString
		if err := rows.Scan(&name, &text); err != nil {
			return err
		}
		return take(name.String, text.String)
	})
}
