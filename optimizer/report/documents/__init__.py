"""Documents: what each verb has to say, composed from its result; one module a verb."""
