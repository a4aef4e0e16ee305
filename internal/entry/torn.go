package entry

import (
	"fmt"
	"time"

	"thawtrail/internal/caution"
	"thawtrail/internal/event"
	"thawtrail/internal/label"
	"thawtrail/internal/ledger"
	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

var (
	labelTorn = caution.Define("label_not_readable", caution.Caution,
		"The label of %s cannot be read. Product, batch and expiry are as the books say, confirmed by two looks at our number at %s.")
	setAside = caution.Define("label_set_aside", caution.Caution,
		"Set aside: bag %s. Nobody confirmed which bag it is. Put its number on it, keep it apart, do not give it.")
)

// fillTorn takes what the books say of our number; a bag without one gets one.
func (b view) fillTorn(p *pb.LabelUnreadable, made []string) ([]string, error) {
	if p.Bag == "" {
		n, err := b.newBag()
		p.Bag = n
		return append(made, n), err
	}
	return made, b.withBag(p.Bag, func(bag *ledger.Bag) {
		if l := bag.Label; l != nil {
			p.Product, p.Batch, p.Expiry, p.VolumeMl = l.Product, l.Batch, l.Expiry, l.VolumeMl
		}
	})
}

// checkTorn offers what the books say until our number was read a second time. Without a
// number of ours, or one that the books do not know, the bag is set aside.
func (e *pending) checkTorn(p *pb.LabelUnreadable) ([]caution.Raised, error) {
	switch {
	case len(e.made) > 0 && p.Place == "":
		return nil, refusal.New("place", "", "where the bag lies now: it has no number of ours, and is quarantined under a new one")
	case len(e.made) > 0, p.Batch == "", p.SetAside:
		return []caution.Raised{setAside.With(label.BagNumber(p.Bag).String())}, nil
	case p.BagAgain == "":
		return nil, refusal.New("again", "", "our number, read off the bag a second time").
			Because(e.b.booksSay(p) + ". Does what can still be read fit? Not sure: --aside")
	case p.BagAgain != p.Bag:
		return nil, refusal.New("again", label.BagNumber(p.BagAgain), "the same number as the first time, "+label.BagNumber(p.Bag).String()).
			Because("not sure which bag it is: --aside")
	}
	return nil, nil
}

// booksSay is what the books say about a bag whose label cannot be read.
func (b view) booksSay(p *pb.LabelUnreadable) string {
	return fmt.Sprintf("the books say of bag %s: %s, batch %s, expiry %s, %d mL",
		label.BagNumber(p.Bag), b.Name(event.KindProduct, p.Product), p.Batch, p.Expiry, p.VolumeMl)
}

// tornCaution marks a bag whose label could not be read, wherever the bag is used.
func (b view) tornCaution(bag *ledger.Bag) []caution.Raised {
	n := len(bag.Torn)
	if n == 0 || !bag.Torn[n-1].Confirmed {
		return nil
	}
	at := time.UnixMilli(bag.Torn[n-1].Stamp.AtMs).In(b.Zone()).Format("15:04 on 2 Jan 2006")
	return []caution.Raised{labelTorn.With(b.BagWords(bag.Entity.ID), at)}
}
