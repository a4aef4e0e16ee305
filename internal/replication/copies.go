package replication

import (
	"bytes"
	"context"
	"slices"

	"thawtrail/internal/event"
	"thawtrail/internal/exchange"
	"thawtrail/internal/refusal"
	"thawtrail/internal/store"
	pb "thawtrail/proto/thawtrail/v1"
)

// Two copies that live at once are a matter for the owner, long after both are gone
// from the link. The server writes it down: once for each two boots, and a few times
// for each device, since whoever holds its key can make boots as it likes.

// maxCopies bounds what the server writes of copies of one device.
const maxCopies = 8

// writeCopies writes down that two copies were met, if that was not done. A server that
// cannot write tells it in its status all the same, and tries at the next meeting.
func (x *Responder) writeCopies(ctx context.Context, device exchange.DeviceID, name string, met copies) {
	x.copying.Lock()
	defer x.copying.Unlock()
	log, ok := x.logOf(device)
	if !x.Hub || !ok || x.wrote == met {
		return
	}
	said, err := x.copiesOf(ctx, log)
	if err == nil && len(said) < maxCopies && !slices.Contains(said, met) {
		_, err = x.Store.Append(ctx, store.Draft{Type: event.TypeCopiesMet, Payload: &pb.CopiesMet{
			Device: device[:], DeviceName: refusal.Shorten(name), Log: log[:], Boots: [][]byte{[]byte(met[0]), []byte(met[1])},
		}})
	}
	if err != nil {
		x.Log.Error("that two copies of a laptop were met could not be written down", "laptop", device.Short(), "error", err)
		return
	}
	x.wrote = met
}

// logOf is the first ordinary log of a device that is held, by its epoch: what is said
// of the device is said there.
func (x *Responder) logOf(device exchange.DeviceID) (log event.LogID, ok bool) {
	epoch := uint32(0)
	for _, l := range x.Store.Logs() {
		if l.Lane == pb.Lane_LANE_ORDINARY && bytes.Equal(l.Device(), device[:]) && (!ok || l.Epoch < epoch) {
			log, epoch, ok = l.ID, l.Epoch, true
		}
	}
	return log, ok
}

// copiesOf lists what was written of copies of a log's device.
func (x *Responder) copiesOf(ctx context.Context, log event.LogID) (out []copies, err error) {
	err = x.Store.View(ctx, func(v *store.Snapshot) error {
		return v.Records(event.LogKey(log), func(r *event.Record) error {
			m, err := r.Payload()
			if p, ok := m.(*pb.CopiesMet); err == nil && ok && len(p.Boots) == 2 {
				out = append(out, copies{string(p.Boots[0]), string(p.Boots[1])})
			}
			return nil
		})
	})
	return out, err
}
