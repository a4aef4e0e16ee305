package site

import (
	"thawtrail/internal/access"
	"thawtrail/internal/refusal"
)

// LetsIn says whether laptops are let in from these pages: at the clinic's server, and on
// an owner's own laptop, which orders it there. Pin says that the owner gives a PIN with it.
func (req *Request) LetsIn() (yes, pin bool, err error) {
	r := req.Site.Replica
	if req.Site.Invites == nil || r.Hub {
		return req.Site.Invites != nil, false, nil
	}
	owner, _, err := access.Ordering{Reader: req.Site.Audit}.Owner(req.Context())
	if _, plain := refusal.Plain(err); plain {
		return false, false, nil
	}
	return err == nil, err == nil && r.Pins != nil && r.Pins.Has(owner), err
}
