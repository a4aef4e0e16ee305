package ledger

import pb "thawtrail/proto/thawtrail/v1"

// Setting is one setting of the practice; the last word in written order stands.
type Setting struct {
	_ struct{} `cbor:",toarray"`
	Common
	Value string
	Set   *Stamp // who set it; nil when nobody entitled has
}

func foldSetting(s *set) State {
	st := &Setting{}
	for _, f := range s.facts {
		if p, ok := f.body.(*pb.SettingsChanged); ok {
			at := f.stamp()
			st.Value, st.Set = p.Value, &at
		}
	}
	st.Common = s.common()
	return st
}
