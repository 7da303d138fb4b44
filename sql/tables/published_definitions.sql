-- One row per month, group (retainer / other / null: all), definition and part with anybody to count: the headline in
-- the ways in which published audits state it. Readings and time on oxygen under a target, but for `fixed_limits`.
-- definition: `readings_per_patient`, `time_per_patient` (mean and standard deviation of the patients' own shares),
-- `pooled_readings`, `more_than_2_above`, `fixed_limits` (shares of readings), `any_reading_in_24_h` (share of patients).
create table published_definitions (
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    "group" varchar, -- retainers and others are shown apart, since their bands differ
    definition varchar not null, -- in which way a published audit states it
    part varchar not null, -- which figure of it: below, within or above the band, outside it, or past a fixed limit
    patients bigint not null, -- how many the figure rests on; small counts are hidden by it
    numerator bigint, -- readings or patients counted; null for a mean
    denominator bigint, -- of how many; null for a mean
    result double not null, -- the share, or the mean of the patients' shares
    sd double -- standard deviation of the patients' shares; null for one patient and where no mean is taken
);
