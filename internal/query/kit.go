package query

import (
	"thawtrail/internal/event"
	"thawtrail/internal/ledger"
	pb "thawtrail/proto/thawtrail/v1"
)

func (b *ReadView) KitCount(place string, item pb.KitItem) (int32, error) {
	k, err := Get[*ledger.Kit](b, event.KindKit, event.KitID(place, item))
	if k == nil {
		return 0, err
	}
	return int32(k.Sum), nil
}
