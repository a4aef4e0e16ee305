package cli

import (
	"bytes"
	"encoding/json"
	"fmt"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// jsonForm keeps proto field names and shows empty values, so that a script
// finds every field; an optional number that is not known stays out.
var jsonForm = protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}

// answer prints a message, as text or as JSON.
func (d *console) answer(asJSON *flagOf, m proto.Message) error {
	if asJSON.text() != "true" {
		newPage(d.out).answer(m.ProtoReflect())
		return nil
	}
	raw, err := jsonForm.Marshal(m)
	if err != nil {
		return err
	}
	return d.printJSON(raw)
}

// printJSON lays out JSON; what could steer a terminal is escaped, so that the
// value stays what it was.
func (d *console) printJSON(raw []byte) error {
	if d.rehearsal {
		raw = withMark(raw)
	}
	var laid bytes.Buffer
	if err := json.Indent(&laid, raw, "", "  "); err != nil {
		return err
	}
	var out bytes.Buffer
	for _, r := range laid.String() {
		if risky(r) {
			fmt.Fprintf(&out, "\\u%04x", r)
			continue
		}
		out.WriteRune(r)
	}
	to := d.out
	if d.rehearsal {
		to = d.bare
	}
	fmt.Fprintf(to, "%s\n", out.String())
	return nil
}
