package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"io"
	"io/fs"
	"time"
)

// entry is one file of an archive or a package.
type entry struct {
	name string // with slashes, from the top of the archive or of the system
	mode fs.FileMode
	body []byte
}

// tarball packs entries for macOS and Linux. Nothing in it is of this machine: all bear
// one time and belong to root.
func tarball(entries []entry, at time.Time) ([]byte, error) {
	var out bytes.Buffer
	if err := gzipped(&out, func(w io.Writer) error {
		t := tar.NewWriter(w)
		for _, e := range entries {
			head := &tar.Header{
				Name: e.name, Mode: int64(e.mode.Perm()), Size: int64(len(e.body)), ModTime: at, Uname: "root", Gname: "root",
				Typeflag: tar.TypeReg, Format: tar.FormatPAX,
			}
			if err := t.WriteHeader(head); err != nil {
				return err
			}
			if _, err := t.Write(e.body); err != nil {
				return err
			}
		}
		return t.Close()
	}); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// gzipped compresses what is written, and says neither when nor where.
func gzipped(to io.Writer, write func(io.Writer) error) error {
	w, err := gzip.NewWriterLevel(to, gzip.BestCompression)
	if err != nil {
		return err
	}
	if err := write(w); err != nil {
		return err
	}
	return w.Close()
}

// zipped packs entries for Windows.
func zipped(entries []entry, at time.Time) ([]byte, error) {
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for _, e := range entries {
		head := &zip.FileHeader{Name: e.name, Method: zip.Deflate, Modified: at.UTC()}
		head.SetMode(e.mode)
		f, err := w.CreateHeader(head)
		if err != nil {
			return nil, err
		}
		if _, err := f.Write(e.body); err != nil {
			return nil, err
		}
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}
