package files

import (
	"encoding/json"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// Schema is the JSON Schema (draft 2020-12) of one line of a list's JSON lines.
func (l List) Schema() []byte {
	properties := map[string]any{"mark": map[string]any{"type": "string"}}
	var required []string
	cols := l.cols()
	for _, c := range cols {
		name := string(c.field.Name())
		properties[name] = c.schema()
		required = append(required, name)
	}
	if priced(cols) {
		properties["currency"] = map[string]any{"type": "string", "description": "ISO 4217 code of the practice's currency"}
		required = append(required, "currency")
	}
	raw, err := json.MarshalIndent(map[string]any{
		"$schema": "https://json-schema.org/draft/2020-12/schema", "title": l.Name, "type": "object",
		"properties": properties, "required": required, "additionalProperties": false,
	}, "", "  ")
	if err != nil {
		panic(err) // strings and lists of them
	}
	return append(raw, '\n')
}

func (c column) schema() map[string]any {
	out := map[string]any{}
	switch c.field.Kind() {
	case protoreflect.BoolKind:
		out["type"] = "boolean"
	case protoreflect.DoubleKind:
		out["type"] = "number"
	case protoreflect.StringKind:
		out["type"] = "string"
	default:
		out["type"] = "integer"
	}
	if c.field.HasPresence() {
		out["type"] = []any{out["type"], "null"}
	}
	switch {
	case c.money():
		out["description"] = "hundredths of the currency"
	case c.moment():
		out["description"] = "RFC 3339, with the zone of the practice; empty when there is none"
	}
	return out
}
