package site

import (
	"bytes"

	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	"thawtrail/internal/query"
	pb "thawtrail/proto/thawtrail/v1"
)

// ownPlaceName is where this laptop keeps the place that it is with. It lies in the
// index: after that is built anew, a person says it once more.
const ownPlaceName = "own_place"

// OwnPlace is the freezer of the car in which this laptop is: the one that was said here,
// else the one that the books say it works from, else the only vehicle's freezer of the
// practice. It is the default wherever a place is
// asked for; empty where there is none, as at the clinic's server.
func (s *Site) OwnPlace(l *query.ReadView) (string, error) {
	kept, err := s.Replica.Store.Local(ownPlaceName)
	if err != nil {
		return "", err
	}
	if place, err := query.Get[*ledger.Place](l, event.KindPlace, string(kept)); err != nil || place != nil {
		return string(kept), err
	}
	if s.Replica.Hub {
		return "", nil
	}
	rights, err := l.Rights()
	if err != nil {
		return "", err
	}
	for _, d := range rights.Devices {
		if d.Place != "" && bytes.Equal(d.Device, s.Replica.Store.Device()) {
			return d.Place, nil
		}
	}
	own, several := "", false
	err = l.Each(event.KindPlace, func(st ledger.State) (bool, error) {
		if p, ok := st.(*ledger.Place); ok && p.Kind == pb.PlaceKind_PLACE_KIND_VEHICLE_FREEZER {
			several = own != ""
			own = p.Entity.ID
		}
		return !several, nil
	})
	if several {
		own = ""
	}
	return own, err
}

// SetOwnPlace says with which place this laptop is from now on.
func (s *Site) SetOwnPlace(place string) error {
	return s.Replica.Store.SetLocal(ownPlaceName, []byte(place))
}
