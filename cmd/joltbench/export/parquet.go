package export

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"
	"github.com/parquet-go/parquet-go/encoding/thrift"
	"github.com/parquet-go/parquet-go/format"
)

// Parquet writes the table as an Apache Parquet file, zstd-compressed, columns
// in alphabetical order. The unit of a column is in its own key-value
// metadata under "unit", and again in the file's under "unit.<column>" for
// readers that show only that. The file is held in memory until it is done.
func Parquet(w io.Writer, t *Table) error {
	group := parquet.Group{}
	for _, c := range t.Columns {
		var n parquet.Node
		switch c.Type {
		case Int:
			n = parquet.Leaf(parquet.Int64Type)
		case Float:
			n = parquet.Leaf(parquet.DoubleType)
		case Text:
			n = parquet.String()
		case Time:
			n = parquet.Timestamp(parquet.Microsecond)
		}
		if _, twice := group[c.Name]; twice {
			return fmt.Errorf("column %q is there twice", c.Name)
		}
		group[c.Name] = parquet.Compressed(parquet.Optional(n), &zstd.Codec{})
	}
	options := []parquet.WriterOption{parquet.NewSchema(t.Name, group), parquet.CreatedBy("joltbench", "1", "")}
	for _, c := range t.Columns {
		if c.Unit != "" {
			options = append(options, parquet.KeyValueMetadata("unit."+c.Name, c.Unit))
		}
	}
	var b bytes.Buffer
	out := parquet.NewWriter(&b, options...)
	order := make([]int, len(t.Columns)) // by name, as the group orders them
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return strings.Compare(t.Columns[a].Name, t.Columns[b].Name) })
	err := t.Rows(func(row []any) error {
		values := make(parquet.Row, len(row))
		for place, i := range order {
			v, level := parquet.NullValue(), 0
			switch x := row[i].(type) {
			case nil:
			case int64:
				v, level = parquet.Int64Value(x), 1
			case float64:
				v, level = parquet.DoubleValue(x), 1
			case string:
				v, level = parquet.ByteArrayValue([]byte(strings.ToValidUTF8(x, "\uFFFD"))), 1
			case time.Time:
				v, level = parquet.Int64Value(x.UnixMicro()), 1
			default:
				return fmt.Errorf("a cell of type %T", x)
			}
			values[place] = v.Level(0, level, place)
		}
		_, err := out.WriteRows([]parquet.Row{values})
		return err
	})
	if err != nil {
		return err
	}
	if err := out.Close(); err != nil {
		return err
	}
	return writeWithUnits(w, b.Bytes(), t.Columns)
}

// writeWithUnits writes the file with the units put into the metadata of its
// columns, which the library leaves empty. A Parquet file ends with the footer
// (the file's metadata in Thrift's compact protocol), its length in four bytes
// and "PAR1".
func writeWithUnits(w io.Writer, file []byte, columns []Column) error {
	unit := map[string]string{}
	for _, c := range columns {
		unit[c.Name] = c.Unit
	}
	end := len(file) - 8
	size := int(binary.LittleEndian.Uint32(file[end:]))
	var meta format.FileMetaData
	var compact thrift.CompactProtocol
	if err := thrift.Unmarshal(&compact, file[end-size:end], &meta); err != nil {
		return fmt.Errorf("parquet footer: %w", err)
	}
	for i := range meta.RowGroups {
		for j := range meta.RowGroups[i].Columns {
			c := &meta.RowGroups[i].Columns[j].MetaData
			if u := unit[strings.Join(c.PathInSchema, ".")]; u != "" {
				c.KeyValueMetadata = append(c.KeyValueMetadata, format.KeyValue{Key: "unit", Value: u})
			}
		}
	}
	footer, err := thrift.Marshal(&compact, &meta)
	if err != nil {
		return fmt.Errorf("parquet footer: %w", err)
	}
	tail := binary.LittleEndian.AppendUint32(footer, uint32(len(footer)))
	tail = append(tail, "PAR1"...)
	if _, err := w.Write(file[:end-size]); err != nil {
		return err
	}
	_, err = w.Write(tail)
	return err
}
