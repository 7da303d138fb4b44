-- One row per risk or exclusion flag of a stay. Source: `flags` of the extract.
create table flags (
    stay_no integer not null, -- the store's own number of the stay: joins the row to its stay, shorter than stay_id
    flagged_at timestamp not null, -- from when on the flag holds
    flag varchar not null, -- evidence of earlier CO2 retention, or time that is not audited
    until_at timestamp -- until when the flag holds
);
