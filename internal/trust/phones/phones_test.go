package phones

import (
	"encoding/json"
	"errors"
	"math/rand/v2"
	"net"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// shelf is a book with a clock that is told and a disk that may be full.
type shelf struct {
	*Registry
	at    time.Time
	saved []byte
	full  error
	saves int
}

func newShelf(t testing.TB) *shelf {
	s := &shelf{at: time.Date(2026, 11, 24, 2, 10, 0, 0, time.UTC)}
	s.reopen(t)
	return s
}

// reopen is a restart of the program.
func (s *shelf) reopen(t testing.TB) {
	var err error
	s.Registry, err = Open(s.saved, func() time.Time { return s.at }, rand.NewChaCha8([32]byte{1}), func(data []byte) error {
		if s.full == nil {
			s.saved = data
			s.saves++
		}
		return s.full
	})
	require.NoError(t, err)
}

// pair lets a phone of a person in.
func (s *shelf) pair(t testing.TB, person string) (Phone, string) {
	t.Helper()
	i, err := s.Invite(person, "")
	require.NoError(t, err)
	p, cookie, err := s.Pair(i.Code, "north car")
	require.NoError(t, err)
	return p, cookie
}

// other is a code that is surely not this one.
func other(code string) string {
	if code[0] == '9' {
		return "0" + code[1:]
	}
	return "9" + code[1:]
}

// TestACodeServesOnePhoneForTenMinutes is the table of codes that do and do not
// let in.
func TestACodeServesOnePhoneForTenMinutes(t *testing.T) {
	for name, c := range map[string]struct {
		before func(*shelf, Invite) string // gives what is typed
		want   error
	}{
		"as shown":                      {func(_ *shelf, i Invite) string { return i.Code }, nil},
		"in groups":                     {func(_ *shelf, i Invite) string { return i.Code[:4] + " " + i.Code[4:] }, nil},
		"a moment before its time ends": {func(s *shelf, i Invite) string { s.at = s.at.Add(Lifetime - time.Millisecond); return i.Code }, nil},
		"when its time ends":            {func(s *shelf, i Invite) string { s.at = s.at.Add(Lifetime); return i.Code }, ErrNoSuchCode},
		"after the clock was set back":  {func(s *shelf, i Invite) string { s.at = s.at.Add(-time.Hour); return i.Code }, ErrNoSuchCode},
		"another":                       {func(_ *shelf, i Invite) string { return other(i.Code) }, ErrNoSuchCode},
		"used before": {func(s *shelf, i Invite) string {
			_, _, err := s.Pair(i.Code, "")
			require.NoError(t, err)
			return i.Code
		}, ErrNoSuchCode},
		"replaced by a newer one of the person": {func(s *shelf, i Invite) string { _, _ = s.Invite(i.Person, ""); return i.Code }, ErrNoSuchCode},
		"after a restart":                       {func(s *shelf, i Invite) string { s.reopen(t); return i.Code }, ErrNoSuchCode},
	} {
		s := newShelf(t)
		i, err := s.Invite("reed", "")
		require.NoError(t, err)
		held := len(s.Phones())
		p, cookie, err := s.Pair(c.before(s, i), "north car")
		require.ErrorIs(t, err, c.want, name)
		if c.want != nil {
			require.Empty(t, cookie, name)
			continue
		}
		require.Len(t, s.Phones(), held+1, name)
		require.Equal(t, "reed", p.Person, name)
		known, ok := s.Know(cookie)
		require.True(t, ok, name)
		require.Equal(t, p.ID, known.ID, name)
	}
}

// TestGuessing tries codes as fast as it goes: ten are looked at, then one in six
// seconds, and even the right one waits.
func TestGuessing(t *testing.T) {
	s := newShelf(t)
	i, err := s.Invite("reed", "")
	require.NoError(t, err)
	wrong := other(i.Code)
	for range maxWrong {
		_, _, err := s.Pair(wrong, "")
		require.ErrorIs(t, err, ErrNoSuchCode)
	}
	for _, code := range []string{wrong, i.Code} {
		_, _, err = s.Pair(code, "")
		require.ErrorIs(t, err, ErrTooManyTries)
	}
	s.at = s.at.Add(wrongEach)
	_, _, err = s.Pair(i.Code, "")
	require.NoError(t, err)
}

// TestASessionOutlivesARestart is kept, seen and shut out.
func TestASessionOutlivesARestart(t *testing.T) {
	s := newShelf(t)
	p, cookie := s.pair(t, "reed")
	secret := cookie[strings.Index(cookie, ".")+1:]
	require.NotContains(t, string(s.saved), secret, "the book holds no secret that lets in")
	s.reopen(t)
	for name, made := range map[string]string{
		"empty": "", "id alone": p.ID, "no secret": p.ID + ".", "another secret": p.ID + "." + strings.Repeat("0", len(secret)),
		"another id": "ffffffff." + secret, "a longer secret": cookie + "00", "not hex": p.ID + "." + strings.Repeat("x", len(secret)),
	} {
		_, ok := s.Know(made)
		require.False(t, ok, name)
	}
	s.at = s.at.Add(3 * time.Hour)
	known, ok := s.Know(cookie)
	require.True(t, ok)
	require.Equal(t, s.at.UnixMilli(), known.SeenMs)
	saves := s.saves
	for range 100 {
		s.at = s.at.Add(time.Second)
		_, ok = s.Know(cookie)
		require.True(t, ok)
	}
	require.Equal(t, saves, s.saves, "the disk does not hear of every look")
	require.Equal(t, s.at.UnixMilli(), s.Phones()[0].SeenMs)

	_, _, err := s.Revoke(p.ID[:3])
	require.NoError(t, err)
	_, ok = s.Know(cookie)
	require.False(t, ok)
	s.reopen(t)
	_, ok = s.Know(cookie)
	require.False(t, ok)
	_, _, err = s.Revoke(p.ID)
	require.ErrorIs(t, err, ErrNoSuchPhone)
	_, _, err = s.Revoke("")
	require.ErrorIs(t, err, ErrNoSuchPhone)
}

// TestRevokingCutsStreams cuts those of one phone alone, also when nothing can be
// saved.
func TestRevokingCutsStreams(t *testing.T) {
	s := newShelf(t)
	p, cookie := s.pair(t, "reed")
	q, _ := s.pair(t, "alder")
	var cuts []<-chan struct{}
	for range maxStreams {
		cut, _, ok := s.Stream(p.ID)
		require.True(t, ok)
		cuts = append(cuts, cut)
	}
	_, _, ok := s.Stream(p.ID)
	require.False(t, ok, "streams of one phone are bounded")
	other, leave, ok := s.Stream(q.ID)
	require.True(t, ok)
	leave()
	s.full = errors.New("disk full")
	changed := s.Changed()
	_, n, err := s.Revoke(p.ID)
	require.ErrorIs(t, err, s.full)
	require.Equal(t, maxStreams, n)
	for _, cut := range cuts {
		<-cut
	}
	_, ok = s.Know(cookie)
	require.False(t, ok)
	select {
	case <-other:
		t.Fatal("another phone's stream was cut")
	case <-changed:
		t.Fatal("nothing was saved")
	default:
	}
	_, _, ok = s.Stream(p.ID)
	require.False(t, ok)
}

// TestBounds fills the book.
func TestBounds(t *testing.T) {
	s := newShelf(t)
	var first Invite
	for n, person := range []string{"a", "b", "c", "d", "e"} {
		i, err := s.Invite(person, "")
		require.NoError(t, err)
		if n == 0 {
			first = i
		}
	}
	require.Len(t, s.Invites(), maxInvites)
	_, _, err := s.Pair(first.Code, "")
	require.ErrorIs(t, err, ErrNoSuchCode, "the oldest code made room")
	left := s.Invites()[maxInvites-1]
	for range maxPhones {
		s.pair(t, "reed")
	}
	_, err = s.Invite("reed", "")
	require.ErrorIs(t, err, ErrFull)
	_, _, err = s.Pair(left.Code, "")
	require.ErrorIs(t, err, ErrFull)
	for _, name := range []string{strings.Repeat("n", maxName+1), "two\nlines", "\xff", "\u202ereversed", "\x1b[2J"} {
		_, _, err := s.Pair(left.Code, name)
		require.ErrorContains(t, err, "name", "%q", name)
	}
	s.full = errors.New("disk full")
	_, _, err = s.Revoke(s.Phones()[0].ID)
	require.Error(t, err)
	_, cookie, err := s.Pair(left.Code, "")
	require.ErrorIs(t, err, s.full)
	require.Empty(t, cookie, "nobody is told a session that a restart forgets")
	_, err = Open([]byte("{"), time.Now, nil, nil)
	require.Error(t, err)
}

// FuzzParseCode reads whatever a stranger types.
func FuzzParseCode(f *testing.F) {
	for _, seed := range []string{"12345678", "1234 5678", "1234-5678 ", "", "١٢٣٤٥٦٧٨", strings.Repeat("1", 100)} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		code, err := ParseCode(text)
		if err != nil {
			_, none := ParseCode("")
			require.EqualError(t, err, none.Error(), "a refusal echoes nothing")
			return
		}
		require.Regexp(t, `^[0-9]{8}$`, code)
		again, err := ParseCode(code[:4] + "-" + code[4:])
		require.NoError(t, err)
		require.Equal(t, code, again)
	})
}

// FuzzKnow takes whatever a stranger sends as a cookie.
func FuzzKnow(f *testing.F) {
	s := newShelf(f)
	p, cookie := s.pair(f, "reed")
	for _, seed := range []string{"", p.ID, p.ID + ".", cookie[:20], strings.ToUpper(cookie), "." + cookie} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		_, ok := s.Know(text)
		require.Equal(t, strings.EqualFold(text, cookie) && strings.HasPrefix(text, p.ID+"."), ok)
	})
}

// FuzzOpen reads a book that a disk has changed.
func FuzzOpen(f *testing.F) {
	s := newShelf(f)
	s.pair(f, "reed")
	f.Add(s.saved)
	f.Add([]byte(`[{"id":"a","hash":null},{"id":"a"}]`))
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := Open(data, time.Now, rand.NewChaCha8([32]byte{2}), func([]byte) error { return nil })
		if err != nil {
			require.False(t, json.Valid(data) && string(data) == string(s.saved))
			return
		}
		for _, p := range b.Phones() {
			_, ok := b.Know(p.ID + "." + strings.Repeat("00", secretBytes))
			require.False(t, ok)
			_, _, _ = b.Revoke(p.ID)
		}
	})
}

// TestAddresses tells where a phone finds the laptop.
func TestAddresses(t *testing.T) {
	at := func(s string) net.Addr { return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(s)) }
	one, err := Addresses(at("192.168.137.1:4290"))
	require.NoError(t, err)
	require.Equal(t, "https://192.168.137.1:4290/pair", one[0].URL("/pair"))
	one, err = Addresses(at("[fd00::1]:4290"))
	require.NoError(t, err)
	require.Equal(t, "https://[fd00::1]:4290/", one[0].URL("/"))
	for _, listening := range []string{"0.0.0.0:4290", "[::]:4290"} {
		all, err := Addresses(at(listening))
		require.NoError(t, err)
		for _, a := range all {
			require.False(t, a.At.Addr().IsLoopback() || a.At.Addr().IsUnspecified(), a.At)
			require.EqualValues(t, 4290, a.At.Port())
			require.True(t, a.At.Addr().Is4() || listening[0] == '[', "a listener on IPv4 is not found by IPv6")
		}
	}
	require.True(t, reachable(netip.MustParseAddr("10.42.0.1"), netip.MustParseAddr("0.0.0.0")))
	require.False(t, reachable(netip.MustParseAddr("fe80::1"), netip.MustParseAddr("::")))
	require.Less(t, rank(netip.MustParseAddr("10.42.0.1")), rank(netip.MustParseAddr("203.0.113.9")))
}

// TestConnectionsAreBounded opens more than one address may have; a closed one
// gives its place back.
func TestConnectionsAreBounded(t *testing.T) {
	raw, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	l := Bounded(raw)
	defer l.Close()
	accepted := make(chan net.Conn)
	go func() {
		defer close(accepted)
		for {
			c, err := l.Accept()
			if err != nil {
				return // closed
			}
			accepted <- c
		}
	}()
	dial := func() net.Conn {
		t.Helper()
		c, err := net.Dial("tcp", raw.Addr().String())
		require.NoError(t, err)
		t.Cleanup(func() { _ = c.Close() })
		return c
	}
	var first net.Conn
	for n := range maxConnsOf {
		dial()
		c := <-accepted
		if n == 0 {
			first = c
		}
	}
	tooMany := dial()
	_, err = tooMany.Read(make([]byte, 1))
	require.Error(t, err, "it is closed at once")
	require.NoError(t, first.Close())
	_ = first.Close() // a second time gives no second place
	dial()
	<-accepted
	tooMany = dial()
	_, err = tooMany.Read(make([]byte, 1))
	require.Error(t, err)
}

// cameIn is a connection that came in at an address, from another.
type cameIn struct {
	net.Conn
	at, from net.Addr
}

func (c cameIn) LocalAddr() net.Addr  { return c.at }
func (c cameIn) RemoteAddr() net.Addr { return c.from }
func (cameIn) Close() error           { return nil }

// lineOf gives out connections one after another.
type lineOf chan net.Conn

func (l lineOf) Accept() (net.Conn, error) {
	if c, ok := <-l; ok {
		return c, nil
	}
	return nil, net.ErrClosed
}
func (lineOf) Close() error   { return nil }
func (lineOf) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4zero, Port: 4280} }

// TestOnlyThisMachineIsHere parts what comes in on a port of every address: in clear is
// answered only what this machine says to itself.
func TestOnlyThisMachineIsHere(t *testing.T) {
	at := func(text string) net.Addr { return net.TCPAddrFromAddrPort(netip.MustParseAddrPort(text)) }
	l := make(lineOf)
	here, network := Apart(l)
	for _, c := range []struct {
		at, from string
		own      bool
	}{
		{"127.0.0.1:4280", "127.0.0.1:50000", true}, {"[::1]:4280", "[::1]:50000", true}, {"[::ffff:127.0.0.1]:4280", "127.0.0.1:50000", true},
		{"192.0.2.2:4280", "192.0.2.9:50000", false}, {"192.0.2.2:4280", "192.0.2.2:50000", false},
		{"127.0.0.1:4280", "192.0.2.9:50000", false}, {"[fd00::2]:4280", "[fd00::9]:50000", false},
	} {
		go func() { l <- cameIn{at: at(c.at), from: at(c.from)} }()
		face := network
		if c.own {
			face = here
		}
		got, err := face.Accept()
		require.NoError(t, err)
		require.Equal(t, at(c.from), got.RemoteAddr())
	}
	require.NoError(t, here.Close())
	_, err := network.Accept()
	require.ErrorIs(t, err, net.ErrClosed, "both close")
	close(l)
}
