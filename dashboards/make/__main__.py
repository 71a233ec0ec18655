"""Writes every file that is made."""

from dashboards.make.files import all_files

if __name__ == "__main__":
    for path, text in all_files().items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, "utf-8")
        print(path)
