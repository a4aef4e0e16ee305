// Package authority is the practice's root of trust and the links that hang
// on it.
//
// # Keys
//
//	authority key   Ed25519, one a practice, made by `server init`, printed as a
//	                recovery sheet. Signs the server's certificate and the answers
//	                of enrolment. Laptops pin it.
//	server TLS key  Ed25519, of one server; can be replaced at any time without
//	                enrolling anybody again.
//	device key      Ed25519, of one laptop, made there; signs its records and its
//	                side of every link.
//	key for phones  ECDSA on P-256, of one laptop; what it shows to the browsers of
//	                phones, which know no Ed25519. No other link takes it.
//
// # Certificates
//
// They carry keys, nothing more. All are valid from 2000 to the end of 9999
// (RFC 5280 section 4.1.2.5 gives that date for 'does not expire'), and a client
// checks them at a fixed moment, so that a flat clock battery shuts nobody out.
// Who is admitted is looked up in the practice's books at each handshake and at
// each call; the certificate does not say it.
//
// # Links
//
// TLS 1.3 only, without session tickets. The name that the client asks for
// (SNI) chooses what it may do:
//
//	practice  a certificate of an admitted device is required: exchange
//	enrol     no certificate: EnrolService alone, few links, short ones
//	local     no certificate: from this machine, with the token of its user
//
// A label before it names the practice (Print), so that one process can serve many: Hear
// reads it without answering. It is no secret, and it proves nothing: whoever answers must
// show a certificate that the practice's authority signed.
//
// Revocation closes the links of a device at once: Links knows them all.
package authority
