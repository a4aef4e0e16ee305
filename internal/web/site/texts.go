package site

import (
	"bytes"

	"thawtrail/internal/query"
)

// Beside is which customary units are shown beside those of the record.
func (req *Request) Beside() (beside query.Beside, err error) {
	err = req.Read(func(l *query.ReadView) error {
		beside = l.Beside()
		return nil
	})
	return beside, err
}

// notRead are the parts of a page whose text nobody reads, or types: none is inside another.
var notRead = []string{"script", "style", "textarea"}

// inTexts changes what people read of a page, and neither its tags nor what stands in
// a box. Templates escape each < of a text and each > of a value, so that a tag is what lies between
// the two.
func inTexts(page []byte, change func(string) string) []byte {
	out := bytes.NewBuffer(make([]byte, 0, len(page)+len(page)/8))
	for len(page) > 0 {
		start := bytes.IndexByte(page, '<')
		if start < 0 {
			start = len(page)
		}
		out.WriteString(change(string(page[:start])))
		page = page[start:]
		end := tagEnd(page)
		out.Write(page[:end])
		page = page[end:]
	}
	return out.Bytes()
}

// tagEnd is where the tag at the beginning of a page ends; of a part that nobody reads,
// where the part does.
func tagEnd(page []byte) int {
	for _, name := range notRead {
		if bytes.HasPrefix(page, []byte("<"+name)) {
			if end := bytes.Index(page, []byte("</"+name)); end >= 0 {
				return end
			}
		}
	}
	if end := bytes.IndexByte(page, '>'); end >= 0 {
		return end + 1
	}
	return len(page)
}
