package event

// Outline is what can be told of a record without decoding its header or hashing
// anything. Of bytes that were verified and saved here it is all that it takes to hand
// them on: whoever receives them verifies them in turn.
type Outline struct {
	Type   Type
	Size   int // as Record.Size
	Signed bool
}

// OutlineOf outlines a record's wire bytes; ok is false when they are not in the form
// in which records are written.
func OutlineOf(wire []byte) (o Outline, ok bool) {
	parts, ok := plainParts(wire)
	if !ok {
		return o, false
	}
	header, payload, signature := parts[1], parts[2], parts[3]
	if o.Type, ok = typeIn(header); !ok {
		return o, false
	}
	o.Size, o.Signed = sizeOfParts(header, payload, signature), len(signature) != 0
	return o, true
}

// typeIn finds the type in a header whose fields rise, as in all that programs write.
func typeIn(header []byte) (t Type, ok bool) {
	const typeField = 12
	f := fields{rest: header, ok: true}
	for f.next() {
		if f.num != typeField {
			f.skip()
			continue
		}
		if ok {
			return 0, false // which of them counts is for the decoder to say
		}
		t, ok = Type(f.varint()), true
	}
	return t, ok && f.ok
}

// KeysNeededBy is Record.KeysNeeded of wire bytes. Few records are decoded for it.
func KeysNeededBy(wire []byte) [][]byte {
	if o, ok := OutlineOf(wire); ok && o.Type != TypeSavedAgain && !mayNeedKeys(o.Type) {
		return nil
	}
	r, err := Decode(wire)
	if err != nil {
		return nil
	}
	return r.KeysNeeded()
}
