package site

import "net/url"

// PageRows is how many rows of a list that grows for years one page shows.
const PageRows = 100

// FileRows is how many rows of such a list are read at a time for a file.
const FileRows = 1000

// After is the mark at which this page goes on.
func (req *Request) After() string { return req.URL.Query().Get("after") }

// NextPart is the address of the next part of the list on this page; empty at the
// end.
func (req *Request) NextPart(next string) string {
	if next == "" {
		return ""
	}
	q := req.URL.Query()
	q.Set("after", next)
	return (&url.URL{Path: req.URL.Path, RawQuery: q.Encode()}).String()
}

// EachPart asks for all parts of a list, one after another: for files, which hold
// the whole.
func EachPart(ask func(after string) (next string, err error)) error {
	after := ""
	for {
		next, err := ask(after)
		if err != nil || next == "" {
			return err
		}
		after = next
	}
}
