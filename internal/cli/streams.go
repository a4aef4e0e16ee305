package cli

import (
	"errors"
	"io"
	"os"

	"thawtrail/internal/refusal"
	"thawtrail/internal/wholefile"
)

// stdio names standard input or output where a file is asked for.
const stdio = "-"

// read is a file that a person names, whole, or standard input.
func (d *console) read(path string, most int64) ([]byte, error) {
	if path != stdio {
		return wholefile.Read(path, most)
	}
	if d.inputTaken {
		return nil, refusal.New("arguments", stdio, "one - for standard input: it was read already")
	}
	d.inputTaken = true
	raw, err := io.ReadAll(io.LimitReader(d.in, most+1))
	if err == nil && int64(len(raw)) > most {
		err = wholefile.ErrTooLong
	}
	if err != nil {
		err = refusal.New("arguments", stdio, "what can be read from standard input").Because(err.Error())
	}
	return raw, err
}

// openFile opens a file that a person names; a folder is none.
func openFile(field, path string) (*os.File, error) {
	unfit := refusal.New(field, path, "a file that can be read")
	file, err := os.Open(path)
	if err != nil {
		return nil, unfit.Because(err.Error())
	}
	info, err := file.Stat()
	switch {
	case err != nil:
		return nil, errors.Join(unfit.Because(err.Error()), file.Close())
	case info.IsDir():
		return nil, errors.Join(unfit.Because("it is a folder"), file.Close())
	}
	return file, nil
}

// write puts bytes into a file that a person names, or prints them as they are.
func (d *console) write(path string, data []byte) error {
	if path != stdio {
		return wholefile.Write(path, data)
	}
	return d.fill(path, func(to io.Writer) error {
		_, err := to.Write(data)
		return err
	})
}

// fill is write for what is made piece by piece. What is said of a file that was printed
// goes to standard error: its reader is a program.
func (d *console) fill(path string, with func(io.Writer) error) error {
	if path != stdio {
		return wholefile.Fill(path, with)
	}
	err := with(d.printed.to)
	d.out, d.bare = d.err, d.err
	return err
}
