package store

const (
	laterKeys   = 200
	refoldBatch = 64
	growExtent  = 64
	maxExpress  = 256
)
