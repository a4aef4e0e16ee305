// Package invite lets a laptop join a practice by a one-time code.
//
// The code is made on the practice's server, carried by mouth or on paper, and
// typed on the laptop. It holds a secret and the beginning of the fingerprint of
// the practice's authority (see Code).
//
//	K          = argon2id(secret, salt made of the rest of the code)
//	claim      = device key, name, nonce, key of this TLS link, logs so far
//	possession = Ed25519(device key, claim)
//	proof      = HMAC-SHA-256(K, "request", claim)
//	answer     = practice, founding record, authority, person, roles
//	proof'     = HMAC-SHA-256(K, "answer", request, answer)
//	signature  = Ed25519(authority key, request, answer)
//
// The laptop first checks that the server's certificate is signed by a key with
// the code's fingerprint. So an eavesdropper or false server never sees anything
// made of K, unless it found another key with the same 45 bits beforehand; then
// it must still try 2^50 secrets at the cost of argon2id within a day. The claim
// names the server's TLS key, so it cannot be passed on to another link, and the
// answer's proof shows that the server knew the code.
//
// The server keeps K, never the code, in an encrypted file. A code serves one
// device key: the same laptop may ask again when the answer was lost; another
// one is refused. Wrong tries are counted for the whole server.
//
// The same request and answer travel as files when the laptop cannot reach the
// server; then the claim names no link.
package invite
