package site

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"thawtrail/internal/access"
	"thawtrail/internal/clock"
	"thawtrail/internal/entry"
	"thawtrail/internal/query"
	"thawtrail/internal/replica"
	pb "thawtrail/proto/thawtrail/v1"
)

// Config says what a site serves.
type Config struct {
	Replica *replica.Replica
	Clock   clock.Clock
	Log     *slog.Logger
	// Opens says whether a passphrase opens this machine's folder: who forgot a PIN
	// sets a new one with it. Nil: that way is not offered.
	Opens func(passphrase string) bool
	// Secret gives the secret behind cookies, and is told the one that the index held
	// in former times; nil: the index holds it.
	Secret func(old []byte) ([]byte, error)
	// URLFile takes the one-time address, readable by this user only; empty: none.
	URLFile string
	// Invites makes a one-time code by which a laptop joins, or orders one from the
	// server; nil: that is not done here. See Request.LetsIn.
	Invites func(context.Context, *pb.InviteRequest) (*pb.InviteResponse, error)
	// Pages is told how one-time addresses are made while pages are served; nil: nobody asks.
	Pages *access.Pages
	// Phones lets phones in; nil: none, as on the hub.
	Phones   *access.Phones
	PhoneTLS *tls.Config // that they are shown
}

// Site is the pages over one replica. It is an http.Handler.
type Site struct {
	Config
	Records *entry.Writer
	Stock   query.Reader
	Cases   query.Reader
	Audit   query.Reader

	secret []byte // keys the cookies of this replica
	cookie string // name, with the replica in it: cookies do not know ports
	tmpl   map[string]*template.Template
	locked LockedView
	upload map[string]int64 // addresses that take a file, and how large it may be
	mux    *http.ServeMux
	flash  flashes
	live   chan struct{} // one token for each open stream of this machine's browsers

	mu       sync.Mutex
	entrance map[string]time.Time // one-time codes not used yet, and when each ends; zero: never
	port     string
}

const (
	secretName   = "page_secret"
	maxEntrances = 16
	maxStreams   = 64
	maxForm      = 256 << 10 // bytes of a POST
	readTimeout  = 10 * time.Second
	entranceFor  = 10 * time.Minute // how long an address that was asked for can be used
)

// New prepares the pages of a replica. The secret that keys its cookies is kept
// in the replica, so that a browser stays signed in when the program restarts in
// the middle of a transfusion. Locked is what a locked browser still shows, and
// rooms are the templates of the pages that Page, Both, Here and Upload register.
func New(cfg Config, locked LockedView, rooms ...fs.FS) (*Site, error) {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	r := cfg.Replica
	s := &Site{
		Config: cfg, Records: entry.NewWriter(r), Stock: query.Reader{Replica: r}, Cases: query.Reader{Replica: r},
		Audit: query.Reader{Replica: r}, locked: locked, mux: http.NewServeMux(),
		live: make(chan struct{}, maxStreams), entrance: map[string]time.Time{}, upload: map[string]int64{},
	}
	var err error
	if s.secret, err = secretOf(r, cfg.Secret); err != nil {
		return nil, err
	}
	s.cookie = "thawtrail-" + hex.EncodeToString(r.Store.Device()[:4])
	s.tmpl, err = parseTemplates(rooms)
	return s, err
}

func secretOf(r *replica.Replica, keep func([]byte) ([]byte, error)) ([]byte, error) {
	secret, err := r.Store.Local(secretName)
	if err == nil && keep != nil {
		return keep(secret)
	}
	if err != nil || len(secret) == sha256.Size {
		return secret, err
	}
	secret = make([]byte, sha256.Size)
	if _, err := rand.Read(secret); err != nil {
		return nil, err
	}
	return secret, r.Store.SetLocal(secretName, secret)
}
