package ledgertest

import (
	"time"

	"thawtrail/internal/event"
)

type options struct {
	typ      event.Type
	at       time.Time
	asked    time.Duration
	author   string
	grant    *event.Record
	request  string
	entities []event.Key
	raw      []byte
	known    []*event.Record
	moved    time.Time
}

// Option says something more about a record.
type Option func(*options)

// At says when it happened, when that is not now.
func At(t time.Time) Option { return func(o *options) { o.at = t } }

// Asked says that it was asked for as it happened, and saved a moment later.
func Asked(before time.Duration) Option { return func(o *options) { o.asked = before } }

// By says who wrote it and on which grant; nil is no grant.
func By(person string, grant *event.Record) Option {
	return func(o *options) { o.author, o.grant = person, grant }
}

// As writes the payload as another type with the same message, or as a type that
// this version does not know.
func As(t event.Type) Option { return func(o *options) { o.typ = t } }

// Request sets the request id.
func Request(id string) Option { return func(o *options) { o.request = id } }

// Touching adds entities to those that the payload names.
func Touching(keys ...event.Key) Option {
	return func(o *options) { o.entities = append(o.entities, keys...) }
}

// Raw puts other bytes in place of the payload, as a broken writer would.
func Raw(b []byte) Option { return func(o *options) { o.raw = b } }

// Knowing lists the corrections that a correction had seen.
func Knowing(corrections ...*event.Record) Option {
	return func(o *options) { o.known = append(o.known, corrections...) }
}

// MovedTo makes a correction tell another time.
func MovedTo(t time.Time) Option { return func(o *options) { o.moved = t } }
