package sim

import (
	"errors"
	"math/rand/v2"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"thawtrail/internal/refusal"
	pb "thawtrail/proto/thawtrail/v1"
)

// What two programs say to each other besides records: which keys of sealed words
// they lack, and that a laptop has a copy.

// compareKeys begins to compare keys, as a laptop does once it holds what the hub
// has, and after some minutes again.
func (s *session) compareKeys() {
	s.round = s.met.CompareKeys()
	s.askOn()
}

// askOn sends what a round says next.
func (s *session) askOn() {
	ask, give := s.round.Next()
	s.question++
	switch {
	case ask != nil:
		s.numbered(s.b, "which keys", s.question, ask)
	case give != nil:
		s.w.count("keys given")
		s.numbered(s.b, "gift", s.question, give)
	default:
		s.round = nil
	}
}

// dropRound gives up a round. No fault of keys ends a session.
func (s *session) dropRound(err error, m *message, n *node) bool {
	if err == nil {
		return false
	}
	s.w.count("keys not compared")
	if !n.sick && !n.full && n.index.Refuse == nil && !m.spoiled && !n.fencedOff(err) {
		s.w.fail("%s does not compare keys: %v", n.name, err)
	}
	s.round = nil
	return true
}

func (s *session) askedKeys(m *message) bool {
	req := &pb.KeysRequest{}
	if proto.Unmarshal(m.bytes, req) != nil {
		return false
	}
	resp, err := s.b.responder.Keys(ctx, req)
	if !s.dropRound(err, m, s.b) {
		s.numbered(s.a, "keys", m.flight, resp)
	}
	return true
}

func (s *session) toldKeys(m *message) bool {
	resp := &pb.KeysResponse{}
	if proto.Unmarshal(m.bytes, resp) != nil {
		return false
	}
	if s.round == nil || m.flight != s.question {
		return true // an answer that nobody waits for any more
	}
	if len(resp.Keys) > 0 {
		s.w.count("keys asked for")
	}
	if !s.dropRound(s.round.Answered(ctx, resp), m, s.a) {
		s.askOn()
	}
	return true
}

func (s *session) gave(m *message) bool {
	req := &pb.PushRequest{}
	if proto.Unmarshal(m.bytes, req) != nil {
		return false
	}
	resp, err := s.b.responder.Push(ctx, req)
	if !s.dropRound(err, m, s.b) {
		s.numbered(s.a, "thanks", m.flight, resp)
	}
	return true
}

func (s *session) thanked(m *message) bool {
	if s.round != nil && m.flight == s.question {
		s.round.Given()
		s.askOn()
	}
	return true
}

// compare lets a laptop compare keys again.
func (w *world) compareKeys(r *rand.Rand) {
	if len(w.sessions) == 0 {
		return
	}
	if s := w.sessions[r.IntN(len(w.sessions))]; s.compared {
		s.compareKeys()
	}
}

// loseKeys takes some keys of sealed words from a machine that another one has.
func (w *world) loseKeys(n *node, r *rand.Rand) {
	if n.store == nil || n.sick || n.full {
		return
	}
	others := map[string]bool{}
	for _, o := range w.nodes {
		if o != n && o.store != nil {
			keys, _ := o.replica.Seals.Since(0, 1<<20)
			for _, k := range keys {
				others[string(k.KeyId)] = true
			}
		}
	}
	keeper := n.replica.Seals.(interface {
		Keep(needed func(id []byte) bool) (int, error)
	})
	lost, err := keeper.Keep(func(id []byte) bool { return !others[string(id)] || r.IntN(2) == 0 })
	if err != nil {
		w.fail("%s: drop keys: %v", n.name, err)
	}
	if lost > 0 {
		w.count("keys lost")
	}
}

const twice = "device_twice:"

// copies says that somebody works on a copy of this machine's folder.
func (n *node) copies() bool {
	return slices.ContainsFunc(n.w.nodes, func(o *node) bool { return o != n && o.key.Equal(n.key) })
}

// hears sees that a laptop is told of a copy only when there is one.
func (n *node) hears() {
	for _, d := range n.link.Differences() {
		if strings.HasPrefix(d, twice) {
			n.w.count("a copy told")
			if !n.copies() {
				n.w.fail("%s is told of a copy of it, and there is none: %s", n.name, d)
			}
		}
	}
}

// replaced says that the hub ended a stream because another program of this device
// came, which only a copy can do: a session here ends before the next one begins.
func (s *session) replaced(err error) bool {
	if !errors.Is(err, refusal.ErrUnavailable) || !s.a.copies() {
		return false
	}
	s.w.count("a copy's stream ended")
	return true
}
