package web

import (
	"thawtrail/internal/web/barn"
	"thawtrail/internal/web/clinic"
	"thawtrail/internal/web/machine"
	"thawtrail/internal/web/owner"
	"thawtrail/internal/web/site"
)

// Config says what a site serves, and Site is the pages over one replica.
type (
	Config = site.Config
	Site   = site.Site
)

// New makes the pages of a replica.
func New(cfg Config) (*Site, error) {
	s, err := site.New(cfg, barn.Locked, barn.Templates, machine.Templates, clinic.Templates, owner.Templates)
	if err == nil {
		routes(s)
	}
	return s, err
}
