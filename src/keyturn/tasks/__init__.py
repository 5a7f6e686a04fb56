"""One function for each thing a user can do; joins the build, the model, the report and files."""
