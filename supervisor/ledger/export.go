package ledger

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"strings"
)

// Export writes every table as JSON lines, all from one state of the ledger. The first line is
// {"schema":N}; each further one is {"table":"name","row":{"column":value,...}} with the columns in the table's order.
// Lengths are millimetres, times of day milliseconds since 1970, yes and no are 1 and 0.
func (l *Ledger) Export(ctx context.Context, w io.Writer) error {
	return l.view(ctx, "everything", func(q querier) error {
		out := bufio.NewWriter(w)
		var schema int
		if err := q.QueryRowContext(ctx, "PRAGMA user_version").Scan(&schema); err != nil {
			return err
		}
		if _, err := fmt.Fprintf(out, "{\"schema\":%d}\n", schema); err != nil {
			return err
		}
		tables, err := stringsOf(ctx, q, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite\_%'
			ESCAPE '\' ORDER BY rootpage`)
		if err != nil {
			return err
		}
		for _, table := range tables {
			if err := exportTable(ctx, q, out, table); err != nil {
				return fmt.Errorf("table %s: %w", table, err)
			}
		}
		return out.Flush()
	})
}

func exportTable(ctx context.Context, q querier, out *bufio.Writer, table string) error {
	var columns []string
	var values []any
	var line []byte
	return each(ctx, q, `SELECT * FROM "`+strings.ReplaceAll(table, `"`, `""`)+`"`, nil, func(rows *sql.Rows) (err error) {
		if columns == nil {
			if columns, err = rows.Columns(); err != nil {
				return err
			}
			values = make([]any, len(columns))
			for i := range values {
				values[i] = new(any)
			}
		}
		if err := rows.Scan(values...); err != nil {
			return err
		}
		line = fmt.Appendf(line[:0], `{"table":%q,"row":{`, table)
		for i, column := range columns {
			value, err := json.Marshal(*values[i].(*any))
			if err != nil {
				return fmt.Errorf("column %s: %w", column, err)
			}
			if i > 0 {
				line = append(line, ',')
			}
			line = fmt.Appendf(line, "%q:%s", column, value)
		}
		line = append(line, "}}\n"...)
		_, err = out.Write(line)
		return err
	})
}
