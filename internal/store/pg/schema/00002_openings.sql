-- +goose Up
CREATE TABLE thawtrail_opening (
	practice text   NOT NULL,
	fence    bigint NOT NULL, -- as the practice's row had it then: a later opening has a higher one
	opener   bytea  NOT NULL,
	next     bigint NOT NULL, -- where the records ended then
	PRIMARY KEY (practice, fence)
);

-- +goose Down
DROP TABLE thawtrail_opening;
