package cli

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/reflect/protoreflect"

	"thawtrail/internal/refusal"
)

// maxStockFile bounds a stock file; 60 bags are about 15 kB.
const maxStockFile = 1 << 20

// readStock reads {"bags": [ … ]} into the list. The decoder is strict: a field it
// does not know is a slip, and a slip here would be a wrong bag.
func (d *console) readStock(list protoreflect.List, name, path string) error {
	const want = `a JSON file {"bags": [{"id": …, "volume_ml": …, "use_by": …, "state": …}]}`
	raw, err := d.read(path, maxStockFile)
	if err != nil {
		return refusal.New(name, path, want).Because(err.Error())
	}
	var file struct {
		Bags []json.RawMessage `json:"bags"`
	}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&file); err != nil {
		return refusal.New(name, path, want).Because(refusal.Shorten(err.Error()))
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return refusal.New(name, path, want).Because("something follows the object")
	}
	for i, bag := range file.Bags {
		v := list.AppendMutable().Message()
		if err := protojson.Unmarshal(bag, v.Interface()); err != nil {
			return refusal.New(fmt.Sprintf("%s.bags[%d]", name, i), string(bag), want).Because(refusal.Shorten(err.Error()))
		}
	}
	return nil
}
