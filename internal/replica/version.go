package replica

// Version of the program; it stands in every record's header.
const Version = "0.1.0"
