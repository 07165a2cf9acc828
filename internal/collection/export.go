package collection

import (
	"bufio"
	"bytes"
	"context"
	"database/sql"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"unicode/utf8"

	"tawsight/internal/record"
)

// ExportOptions say what to leave out.
type ExportOptions struct {
	NoPictures bool // the reduced photos, faces and sheets
}

// lineHead is an export's first line.
type lineHead struct {
	Format   string `json:"format"`
	Version  int    `json:"version"`
	Tawsight string `json:"tawsight"`
	Pictures bool   `json:"pictures"`
}

// lineEnd is its last, by which a file that was cut short is told.
type lineEnd struct {
	End struct {
		Rows int `json:"rows"`
	} `json:"end"`
}

// Export writes all that a person's data lie in as JSON Lines, as the collection
// stands at one moment; it may be edited meanwhile. The same collection gives
// the same bytes.
func (c *Collection) Export(ctx context.Context, w io.Writer, o ExportOptions) error {
	tx, err := c.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return fmt.Errorf("the collection can't be read: %w", err)
	}
	defer tx.Rollback()
	out := bufio.NewWriterSize(w, 1<<16)
	head, err := json.Marshal(lineHead{LinesFormat, LinesVersion, record.Version, !o.NoPictures})
	if err != nil {
		return err
	}
	out.Write(append(head, '\n')) // a bufio.Writer keeps its first error for Flush
	rows := 0
	for i := range tables {
		if t := &tables[i]; !t.picture || !o.NoPictures {
			n, err := exportTable(ctx, tx, out, t)
			if err != nil {
				return err
			}
			rows += n
		}
	}
	fmt.Fprintf(out, `{"end":{"rows":%d}}`+"\n", rows)
	return out.Flush()
}

func exportTable(ctx context.Context, tx *sql.Tx, w *bufio.Writer, t *table) (n int, err error) {
	rows, err := tx.QueryContext(ctx, t.rows())
	if err != nil {
		return 0, fmt.Errorf("the collection can't be read: %w", err)
	}
	defer rows.Close()
	values, to := make([]any, len(t.columns)), make([]any, len(t.columns))
	for i := range values {
		to[i] = &values[i]
	}
	var line []byte
	for rows.Next() {
		if err := rows.Scan(to...); err != nil {
			return n, fmt.Errorf("the collection can't be read: %w", err)
		}
		line = append(line[:0], `{"table":"`+t.name+`","row":{`...)
		for i := range t.columns {
			if i > 0 {
				line = append(line, ',')
			}
			line = strconv.AppendQuote(line, t.columns[i].name)
			line = append(line, ':')
			if line, err = t.columns[i].append(line, values[i]); err != nil {
				return n, fmt.Errorf("%s of a %s can't be written: %w", t.columns[i].name, t.name, err)
			}
		}
		line = append(line, "}}\n"...)
		if _, err := w.Write(line); err != nil {
			return n, err
		}
		n++
	}
	if err := rows.Err(); err != nil {
		return n, fmt.Errorf("the collection can't be read: %w", err)
	}
	return n, nil
}

// append writes a value as JSON. JSON that stands as Go writes it goes in as it
// is, anything else as a text, so that it comes back the same.
func (c *column) append(line []byte, v any) ([]byte, error) {
	switch v := v.(type) {
	case nil:
		return append(line, "null"...), nil
	case int64:
		return strconv.AppendInt(line, v, 10), nil
	case float64:
		out, err := json.Marshal(v)
		return append(line, out...), err
	case []byte:
		line = append(line, '"')
		line = base64.StdEncoding.AppendEncode(line, v)
		return append(line, '"'), nil
	case string:
		if !utf8.ValidString(v) {
			line = append(line, `{"bytes":"`...)
			line = base64.StdEncoding.AppendEncode(line, []byte(v))
			return append(line, `"}`...), nil
		}
		if c.kind == kindJSON && len(v) > 0 && v[0] == '{' && v != "{" {
			var compact bytes.Buffer
			if json.Compact(&compact, []byte(v)) == nil && compact.String() == v && !bytes.HasPrefix([]byte(v), []byte(`{"bytes":`)) {
				return append(line, v...), nil
			}
		}
		var text bytes.Buffer
		e := json.NewEncoder(&text)
		e.SetEscapeHTML(false) // a file name's & stays readable
		if err := e.Encode(v); err != nil {
			return line, err
		}
		return append(line, bytes.TrimSuffix(text.Bytes(), []byte{'\n'})...), nil
	}
	return line, fmt.Errorf("it is a %T", v)
}
