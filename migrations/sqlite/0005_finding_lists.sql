-- Lists of findings in the order in which they opened, of one state or of one source alone.
CREATE INDEX finding_state_id ON finding (office, state, id);
CREATE INDEX finding_source_id ON finding (office, source, id);
