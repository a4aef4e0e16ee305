package site

import (
	"encoding/csv"
	"net/http"
	"slices"

	"thawtrail/internal/files"
	"thawtrail/internal/web/words"
)

// SendCSV sends rows as a file of comma-separated values, as they are made. A file that
// cannot be read to its end is broken off, so that the browser says so.
func (req *Request) SendCSV(name string, head []string, rows func(add func(row ...string)) error) error {
	req.W.Header().Set("Content-Type", "text/csv; charset=utf-8")
	req.W.Header().Set("Content-Disposition", `attachment; filename="`+req.FileName(name+".csv")+`"`)
	out := csv.NewWriter(req.W)
	out.UseCRLF = true
	add := func(row ...string) {
		if req.Site.Replica.Rehearsal() {
			row = append([]string{words.Say("rehearsal.mark")}, row...)
		}
		for i := range row {
			row[i] = files.Inert(row[i])
		}
		_ = out.Write(row) // a browser that went away is no error
	}
	add(slices.Clone(head)...)
	if err := rows(add); err != nil {
		req.Site.Log.Error("write a file", "file", name, "error", err)
		panic(http.ErrAbortHandler)
	}
	out.Flush()
	return nil
}
