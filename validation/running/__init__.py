"""Running a study: notebooks through papermill, and the folder that becomes the dossier."""
