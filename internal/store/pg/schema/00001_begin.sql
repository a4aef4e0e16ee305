-- +goose Up
CREATE TABLE thawtrail_practice (
	practice text        PRIMARY KEY,
	print    text        NOT NULL, -- what its laptops call it by; empty until that is known
	opener   bytea       NOT NULL, -- drawn by the process that has it open
	address  text        NOT NULL, -- at which the other processes reach that one
	until    timestamptz NOT NULL, -- how long it is that one's, by this database's clock
	fence    bigint      NOT NULL, -- moved whenever it must be certain that nothing older still comes
	next     bigint      NOT NULL, -- the position of the next frame, from 1
	key_id   text,                 -- of the key that closes the frames; null before the first opening
	proof    bytea                 -- a frame at position 0, by which a wrong key is known
);
CREATE TABLE thawtrail_leaf (
	practice text   NOT NULL,
	position bigint NOT NULL, -- of its first frame
	leaf     bytea  NOT NULL, -- frames that were committed together
	PRIMARY KEY (practice, position)
);
CREATE TABLE thawtrail_small (
	practice text  NOT NULL,
	folder   text  NOT NULL,
	name     text  NOT NULL,
	contents bytea NOT NULL,
	PRIMARY KEY (practice, folder, name)
);

-- +goose Down
DROP TABLE thawtrail_small;
DROP TABLE thawtrail_leaf;
DROP TABLE thawtrail_practice;
