package server

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"thawtrail/internal/node"
)

// backsUpAgain is how soon a practice whose backup failed is opened for one again.
const backsUpAgain = time.Hour

// backupsOf is the plan of one practice: a folder of its own, so that the host can hand
// it over, or keep it from others, with the rest of the practice.
func (h *host) backupsOf(p *hosted) node.BackupPlan {
	plan := h.cfg.Backups
	plan.Within = p.name
	return plan
}

// backUpClosed opens practices that nobody asks for when a backup of them is due, one at a
// time. Those that are open save by themselves. Of several processes on a database each sees
// to its own folder; where that is the same one, the first to open a practice saves it for all.
func (h *host) backUpClosed(ctx context.Context) error {
	if h.cfg.Backups.To == "" {
		return nil
	}
	tick := time.NewTicker(h.cfg.Backups.Tick())
	defer tick.Stop()
	for told := ""; ; {
		err := h.backUpAll(ctx)
		if ctx.Err() != nil {
			return nil
		}
		text := ""
		if err != nil {
			text = err.Error()
		}
		if text != told && text != "" {
			h.cfg.Log.Error("practices that are closed are not backed up", "error", err)
		}
		told = text
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// backUpAll backs up whatever is closed and due. It stops at what would keep all of them
// from it: no folder, no room for an open practice.
func (h *host) backUpAll(ctx context.Context) error {
	for _, p := range h.closed() {
		due, err := h.backupsOf(p).Due(p.id, h.cfg.Clock.Now())
		if err != nil {
			return err
		}
		if !due {
			continue
		}
		err = h.backUp(ctx, p)
		if errors.Is(err, errFull) || ctx.Err() != nil {
			return err
		}
		if err != nil {
			if !another(err) { // that one saves it
				h.cfg.Log.Error("a practice that is closed is not backed up", "practice", p.name, "again_in", backsUpAgain.String(), "error", err)
			}
			h.mu.Lock()
			p.rests = h.cfg.Clock.Monotonic() + backsUpAgain
			h.mu.Unlock()
		}
	}
	return nil
}

// closed are the practices that may be opened for a backup.
func (h *host) closed() (out []*hosted) {
	h.mu.Lock()
	defer h.mu.Unlock()
	now := h.cfg.Clock.Monotonic()
	for _, p := range h.practices {
		if p.run == nil && now >= p.rests {
			out = append(out, p)
		}
	}
	slices.SortFunc(out, func(a, b *hosted) int { return cmp.Compare(a.name, b.name) })
	return out
}

// backUp holds a practice open, as a link does, until its own plan has saved it.
func (h *host) backUp(ctx context.Context, p *hosted) error {
	r, err := h.join(ctx, p)
	if err != nil {
		return err
	}
	defer h.leaveSaved(r)
	select {
	case err := <-r.saved:
		return err
	case <-r.done:
		return errors.New("it ended before it was saved")
	case <-ctx.Done():
		return ctx.Err()
	}
}

// leaveSaved gives the place of a practice that was opened for its backup back at once,
// unless somebody came meanwhile.
func (h *host) leaveSaved(r *run) {
	h.leave(r)
	h.mu.Lock()
	defer h.mu.Unlock()
	if r.links == 0 && !r.ending {
		r.end()
	}
}
