-- +goose Up
CREATE TABLE thawtrail_practice (
	practice text   PRIMARY KEY,
	opener   bytea  NOT NULL, -- drawn by the process that writes now
	fence    bigint NOT NULL, -- moved whenever it must be certain that nothing older still comes
	next     bigint NOT NULL, -- the position of the next frame, from 1
	key_id   text   NOT NULL,
	proof    bytea  NOT NULL  -- a frame at position 0, by which a wrong key is known
);
CREATE TABLE thawtrail_frame (
	practice text   NOT NULL,
	position bigint NOT NULL,
	frame    bytea  NOT NULL,
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
DROP TABLE thawtrail_frame;
DROP TABLE thawtrail_practice;
