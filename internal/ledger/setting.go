package ledger

import (
	"slices"

	pb "thawtrail/proto/thawtrail/v1"
)

// Setting is one setting of the practice; the last word in written order stands.
type Setting struct {
	_ struct{} `cbor:",toarray"`
	Common
	Value string
	Set   *Stamp // who set it; nil when nobody entitled has
	// Said are those who said the same since it was something else, each once, in written
	// order, at most maxSaid.
	Said []string
}

// maxSaid bounds the people that a setting names.
const maxSaid = 16

func foldSetting(s *set) State {
	st := &Setting{}
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.SettingsChanged); ok {
			st.say(p.Value, f.stamp())
		}
	}
	st.Common = s.common()
	return st
}

func (st *Setting) say(value string, at Stamp) {
	if value != st.Value {
		st.Said = nil
	}
	st.Value, st.Set = value, &at
	if len(st.Said) < maxSaid && !slices.Contains(st.Said, at.Author) {
		st.Said = append(st.Said, at.Author)
	}
}
