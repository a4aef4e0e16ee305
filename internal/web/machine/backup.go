package machine

import (
	"net/http"
	"time"

	"thawtrail/internal/bundle"
	"thawtrail/internal/replica"
	"thawtrail/internal/replication"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
)

// backupMore is the page on which all records are saved as a file.
type backupMore struct {
	Code, Address, Last string
	Omitted             []string
}

// ShowBackup draws a code and offers the file with all records. The code is in no address.
func (s *Sticks) ShowBackup(req *site.Request) error {
	code, err := bundle.NewCode(req.Site.Replica.Random)
	if err != nil {
		return err
	}
	omitted, err := replication.Bundles{Replica: req.Site.Replica}.Omitted()
	if err != nil {
		return err
	}
	last, err := req.Site.Replica.LastBackup()
	if err != nil {
		return err
	}
	m := &backupMore{Code: code.Text(), Address: "/backup/" + s.offer(code), Omitted: omitted}
	if !last.Until.IsZero() {
		m.Last = words.Moment(last.Until)
	}
	return req.Render("backup", words.Say("backup.title"), "clinic", m)
}

// SendBackup writes the file into the answer, and notes when it was whole.
func (s *Sticks) SendBackup(req *site.Request) error {
	code, ok := s.of(req.PathValue("name"))
	if !ok {
		return req.Redirect("/backup")
	}
	name := req.FileName(req.Now.UTC().Format(time.DateOnly) + ".books")
	records := s.write(req, code, name, "")
	return req.Site.Replica.BackedUp(replica.LastBackup{Until: req.Now, File: name, Records: records})
}

// write writes a file of records into the answer; half a one never looks whole.
func (s *Sticks) write(req *site.Request, code bundle.Code, name, about string) (records int64) {
	_ = http.NewResponseController(req.W).SetWriteDeadline(time.Time{})
	req.W.Header().Set("Content-Type", "application/octet-stream")
	req.W.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	out, err := replication.Bundles{Replica: req.Site.Replica}.Write(req.Context(), req.W, code, about)
	if err != nil {
		req.Site.Log.Error("write a file of records", "error", err)
		panic(http.ErrAbortHandler)
	}
	return out.Records
}
