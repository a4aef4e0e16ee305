package machine

import (
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// MoreBrowsers serves the way in for a second browser.
func MoreBrowsers(req *site.Request) error {
	url, err := req.Site.Entrance()
	if err != nil {
		return err
	}
	return req.Render("another", words.Say("another.title"), "", url)
}
